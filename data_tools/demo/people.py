"""How the two invented technicians read photos: mostly right, each with faults of their own.

They see what the labels say is there. The first is careful; the second lets small breaks pass and now and
then takes dirt for a break. A melted housing is never passed over by either: it looks like nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from data_tools.records import DecisionKind, QueueItem, TrueFinding
from model.vocabulary import FindingKind, Place

Truth = frozenset[tuple[FindingKind, Place]]


@dataclass(frozen=True)
class Reader:
    """Shares (0..1) in which a reader errs, and the median seconds they look."""

    misses_broken: float
    misses_latch: float
    invents_break: float
    cannot_tell: float
    seconds: float


CAREFUL = Reader(0.04, 0.01, 0.01, 0.01, 5.0)
LENIENT = Reader(0.22, 0.06, 0.08, 0.03, 3.0)
_MISSES = {FindingKind.BROKEN_PIN_HOUSING: "misses_broken", FindingKind.MISSING_LATCH: "misses_latch"}


@dataclass(frozen=True)
class Reading:
    """What a reader says of a photo."""

    kind: DecisionKind
    findings: tuple[TrueFinding, ...]
    seconds: float


def read(reader: Reader, truth: Truth, item: QueueItem, random: np.random.Generator) -> Reading:
    """Return what ``reader`` says of the photo in ``item`` whose truth is ``truth``."""
    seconds = round(float(reader.seconds * random.lognormal(0.0, 0.5)), 1)
    if random.uniform() < reader.cannot_tell:
        return Reading(DecisionKind.CANNOT_TELL, (), seconds)
    found = {f for f in truth if random.uniform() >= _miss_rate(reader, f[0])}
    if not truth and random.uniform() < reader.invents_break:
        found = {(FindingKind.BROKEN_PIN_HOUSING, Place.UPPER_LEFT)}
    said = {(f.kind, f.place) for f in item.verdict.judgement.findings}
    kind = DecisionKind.CONFIRMED if found == said else DecisionKind.CORRECTED
    findings = tuple(TrueFinding(k, p) for k, p in sorted(found))
    return Reading(kind, findings if kind is DecisionKind.CORRECTED else (), seconds)


def _miss_rate(reader: Reader, kind: FindingKind) -> float:
    return float(getattr(reader, _MISSES[kind])) if kind in _MISSES else 0.0
