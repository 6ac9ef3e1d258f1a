"""Memory at the start of a process, and handed back to the system between long pieces of work."""

from __future__ import annotations

import atexit
import ctypes
import gc
from collections.abc import Iterator
from contextlib import contextmanager

# What was never gone through is let go like everything else at the end: libraries report it as leaked if not.
atexit.register(gc.unfreeze)


@contextmanager
def loading() -> Iterator[None]:
    """Look for no garbage inside, and never in what was loaded: libraries and weights stay to the end.

    Some hundred thousand objects are made in a few seconds, and Python goes through all of them again and
    again to find none that could go: a fifth of the time to a first verdict (``model/MEASURED.md``).
    """
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        if collecting:
            gc.enable()


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
