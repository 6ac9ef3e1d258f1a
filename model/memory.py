"""Handing memory back to the system between long pieces of work."""

from __future__ import annotations

import ctypes
import gc


def hand_back() -> None:
    """Give freed memory back: the C library keeps what large tensors leave (1.5 GB after a fine-tune) for the
    next ones, and the next piece of work needs it elsewhere. Nothing happens where the C library has no
    ``malloc_trim`` (glibc has)."""
    gc.collect()
    try:
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    except (OSError, TypeError):  # a system without a C library to ask
        return
    if trim is not None:
        trim(0)
