"""Elm: couplers as swept grids of points, broken by convex chunks, melted by diffusion, seen by a phone."""

from data_tools.studios.elm.studio import photograph

__all__ = ["photograph"]
