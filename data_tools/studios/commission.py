"""The studios there are, and what one of them is asked for."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module

from data_tools.studios.shot import Photograph

STUDIOS = ("alder", "birch", "cedar", "dogwood", "elm")


@dataclass(frozen=True)
class Commission:
    """One subject for a studio to make and to photograph."""

    studio: str
    seed: int
    index: int

    @property
    def name(self) -> str:
        """What the log calls it."""
        return f"{self.studio}-{self.seed}-{self.index:06d}"


def open_studio(name: str) -> Photograph:
    """Return what takes the photos of a studio; a Mitsuba variant must be set before its first call."""
    taking: Photograph = import_module(f"data_tools.studios.{name}").photograph
    return taking
