"""The sets that a new version is measured on, and which GPU renders which of them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from data_tools.rendering.domains import Domain
from model.errors import ManifestError

CALIBRATION = "calibration"
_MEASURE = re.compile(r"(\w+)=(\d+)@(\d+)(?:/(\w+))?")


@dataclass(frozen=True)
class MeasureSet:
    """A set to measure on: ``name``, photos, seed and the world it is drawn from."""

    name: str
    count: int
    seed: int
    domain: Domain = Domain.TRAIN

    @classmethod
    def parse(cls, text: str) -> MeasureSet:
        """Read ``NAME=COUNT@SEED`` or ``NAME=COUNT@SEED/DOMAIN``.

        Raises:
            ManifestError: another form, or no such domain.
        """
        found = _MEASURE.fullmatch(text)
        if not found or (found[4] or "train") not in set(Domain):
            raise ManifestError(
                "a set as NAME=COUNT@SEED or NAME=COUNT@SEED/DOMAIN", repr(text), "Such as test=3150@2005."
            )
        return cls(found[1], int(found[2]), int(found[3]), Domain(found[4] or "train"))

    @property
    def options(self) -> list[str]:
        """Its part of the renderer's command line."""
        split = ["--split", CALIBRATION if self.name == CALIBRATION else "test"]
        where = ["--domain", self.domain.value]
        return ["--count", str(self.count), "--seed", str(self.seed), *(where if self.world else split)]

    @property
    def world(self) -> bool:
        """Whether it is of another world than training, which then names its split."""
        return self.domain is not Domain.TRAIN


def deal(sets: Sequence[MeasureSet], lanes: int) -> list[list[MeasureSet]]:
    """Return which sets each GPU renders: the calibration set first, then the largest, each to whoever has
    least to do, so that all are done at about the same time."""
    hands: list[list[MeasureSet]] = [[] for _ in range(lanes)]
    for one in sorted(sets, key=lambda m: (m.name != CALIBRATION, -m.count)):
        min(hands, key=lambda hand: sum(m.count for m in hand)).append(one)
    return hands
