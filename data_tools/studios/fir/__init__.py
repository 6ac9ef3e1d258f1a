"""A studio that works like a mould maker: solids cut, broken and melted, under lamps, by cheap phones."""

from __future__ import annotations

from data_tools.studios.fir.studio import photograph

__all__ = ["photograph"]
