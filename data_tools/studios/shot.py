"""What a studio hands out: a photo and its truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from model.manifest import LabelledPhoto


@dataclass(frozen=True)
class Shot:
    """One photo as a phone would have stored it (JPEG bytes) and its truth; ``label.file`` is empty until
    whoever asked for the photo has stored it."""

    jpeg: bytes
    label: LabelledPhoto


Photograph = Callable[[int, int, int, float], list[Shot]]
"""A studio: ``photograph(seed, number, samples, scale)`` returns the photos of one subject; the same
arguments give the same labels. ``samples`` are paths a pixel, ``scale`` shrinks the pictures (1: 512 to
1,000 pixels on the long side). A Mitsuba variant must be set before."""
