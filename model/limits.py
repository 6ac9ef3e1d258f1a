"""The limits between clear and unsure of a version that has learnt: lowered with its answers, and set again
on the operator's own photos where there are enough.

A fine-tuned version answers lower or higher than the one its limits were set for, and would clear more boldly
by them. How much lower shows on damaged photos that it did not learn, the least suspicious ones: there the
limit lies. What it learnt it knows by heart, and cannot tell.

Setting again is conformal risk control as in ``model.calibration``. It needs photos that the version has
not learnt from: those of held-out couplers. Its theorem is about independent examples, and fifty photos of
one coupler are alike: each coupler counts once, by its least suspicious photo. Where too few couplers show
a damage, its earlier limit stays and the count is told.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from model.artefact import Model, load_model, save_model
from model.calibration import MISS_RATES, KindCalibration, clear_limit, needed_examples, sigmoid
from model.manifest import LabelledPhoto, read_manifest
from model.predict import Classifier
from model.scorebook import VISIBLE_FROM, Scored, score_labelled
from model.vocabulary import FindingKind, Place

Progress = Callable[[int, int], None]
MOST_USED = 1000
"""So many damaged photos are used at most; more would not move a limit."""
FEWEST_TO_LOWER = 15
"""Damaged photos of a kind below which its limit is not lowered: an average of fewer than five is noise."""
_NEARLY = 1e-6


@dataclass(frozen=True)
class LimitRow:
    """One damage: ``have`` held-out couplers that show it, of ``needed`` for the miss rate ``rate``; the
    limit below which it is called clear ``before`` and ``after``."""

    kind: FindingKind
    rate: float
    needed: int
    have: int
    before: float
    after: float

    @property
    def enough(self) -> bool:
        """Whether the limit could be set again."""
        return self.have >= self.needed

    @property
    def words(self) -> str:
        """One line in plain words."""
        kind = self.kind.value.replace("_", " ")
        if not self.enough:
            return f"{kind}: {self.have} of the {self.needed} couplers needed; limit kept"
        return f"{kind}: limit {self.before:.3f} to {self.after:.3f}, from {self.have} couplers"


@dataclass(frozen=True)
class Lowered:
    """One damage whose limit went down from ``before`` to ``after`` with the answers to ``photos`` photos."""

    kind: FindingKind
    before: float
    after: float
    photos: int

    @property
    def words(self) -> str:
        """One line in plain words."""
        return (
            f"{self.kind.value.replace('_', ' ')}: limit lowered from {self.before:.3f} to {self.after:.3f}, "
            f"because this version suspects the doubtful ones of {self.photos} damaged photos less"
        )


@dataclass(frozen=True)
class Limits:
    """One row for each damage; ``artefact``: the model file with new limits, ``None`` where none changed."""

    rows: tuple[LimitRow, ...] | tuple[Lowered, ...]
    artefact: Path | None


def lower_limits(
    live: Path, candidate: Path, unlearnt: Path, out: Path, progress: Progress | None = None
) -> Limits:
    """Lower the clear limits of ``candidate`` as far as its answers fell from those of ``live``, on damaged
    photos of the manifest ``unlearnt``, and write the result to ``out``. No limit is raised.

    Raises:
        ManifestError: ``unlearnt`` cannot be used.
        StorageError: the disk has no room for the result.
    """
    damaged = [photo for photo in read_manifest(unlearnt) if photo.findings and photo.reason is None]
    model, books = load_model(candidate), list[list[Scored]]()
    for turn, version in enumerate((load_model(live), model)):
        tell = _in_turn(progress, turn)
        books.append(score_labelled(Classifier(version), damaged, unlearnt.parent, progress=tell))
    both = [(old, new) for old, new in zip(*books, strict=True) if old.good and old.scored and new.scored]
    kinds, rows = dict(model.card.calibration.kinds), list[Lowered]()
    for kind, known in model.card.calibration.kinds.items():
        said = [
            (old.judgement.probabilities[kind], new.judgement.probabilities[kind])
            for old, new in both
            if old.truth(kind)
        ]
        # 0 is no answer that could fall: the latch is out of sight, or the face was taken for one without.
        pairs = [pair for pair in said if min(pair) > 0]
        after = lowered_limit(known.clear_below, pairs)
        if after < known.clear_below:
            kinds[kind] = replace(known, clear_below=after)
            rows.append(Lowered(kind, known.clear_below, after, len(pairs)))
    if not rows:
        return Limits((), None)
    save_model(out, _with_kinds(model, kinds))
    return Limits(tuple(rows), out)


def lowered_limit(limit: float, pairs: Sequence[tuple[float, float]]) -> float:
    """Return the clear limit for a version whose answers to damaged photos fell: ``pairs`` of probabilities
    0..1 by the version that ``limit`` was set for and by the new one.

    It falls by as much, in logits, as the answers of the least suspicious third on average; it never rises,
    and stays where there are too few photos (``FEWEST_TO_LOWER``).
    """
    if len(pairs) < FEWEST_TO_LOWER:
        return limit
    limit = min(max(limit, _NEARLY), 1 - _NEARLY)
    lowest = np.clip(np.array(sorted(pairs)[: len(pairs) // 3]), _NEARLY, 1 - _NEARLY)
    old, new = (np.log(column / (1 - column)) for column in lowest.T)
    fall = min(0.0, float((new - old).mean()))
    return float(sigmoid(math.log(limit / (1 - limit)) + fall)) if fall else limit


def _in_turn(progress: Progress | None, turn: int) -> Progress | None:
    if progress is None:
        return None
    return lambda done, total: progress(turn * total + done, 2 * total)


def follow_limits(candidate: Path, held_out: Path, out: Path, progress: Progress | None = None) -> Limits:
    """Set the clear limits of ``candidate`` on the photos of ``held_out`` and write the result to ``out``.

    A refused photo counts for nothing: a refusal is no clearing, nor is a latch out of sight. Where the
    couplers are too few for every damage, no photo is judged.

    Raises:
        StorageError: the disk has no room for the result.
    """
    model = load_model(candidate)
    classifier = Classifier(model)
    damaged = [photo for photo in read_manifest(held_out) if photo.findings and photo.reason is None]
    shown = _couplers(damaged)
    if any(len(shown[kind]) >= needed_examples(rate) for kind, rate in MISS_RATES.items()):
        shown = _lowest(score_labelled(classifier, damaged[:MOST_USED], held_out.parent, progress=progress))
    rows = limit_rows(
        {kind: list(couplers.values()) for kind, couplers in shown.items()},
        {k: (c.clear_below, c.flag_from) for k, c in model.card.calibration.kinds.items()},
    )
    if all(row.after == row.before for row in rows):
        return Limits(rows, None)
    kinds = {row.kind: replace(model.card.calibration.kinds[row.kind], clear_below=row.after) for row in rows}
    save_model(out, _with_kinds(model, kinds))
    return Limits(rows, out)


def _couplers(damaged: Sequence[LabelledPhoto]) -> dict[FindingKind, dict[str, float]]:
    """Return for each damage the couplers that show it, as if each were surely damaged."""
    return {
        kind: {
            photo.coupler: 1.0
            for photo in damaged
            if any(f.kind is kind and f.visible >= VISIBLE_FROM for f in photo.findings)
        }
        for kind in FindingKind
    }


def _lowest(book: Sequence[Scored]) -> dict[FindingKind, dict[str, float]]:
    """Return for each damage the couplers that show it, with the lowest probability of their photos."""
    lowest: dict[FindingKind, dict[str, float]] = {kind: {} for kind in FindingKind}
    for scored in book:
        for kind, couplers in lowest.items():
            if scored.good and scored.scored and scored.truth(kind) and _tells(scored, kind):
                name, said = scored.label.coupler, scored.judgement.probabilities[kind]
                couplers[name] = min(said, couplers.get(name, 1.0))
    return lowest


def _tells(scored: Scored, kind: FindingKind) -> bool:
    """Whether a judged photo has an answer for ``kind``. Without the latch in sight it has none, and is not
    called clear whatever the limit."""
    face = scored.judgement.face
    hidden = face is not None and not face.visible.get(Place.LATCH, True)
    return not (kind is FindingKind.MISSING_LATCH and hidden and scored.judgement.probabilities[kind] == 0)


def _with_kinds(model: Model, kinds: dict[FindingKind, KindCalibration]) -> Model:
    calibration = replace(model.card.calibration, kinds=kinds)
    return replace(model, card=replace(model.card, calibration=calibration))


def limit_rows(
    shown: dict[FindingKind, list[float]], limits: dict[FindingKind, tuple[float, float]]
) -> tuple[LimitRow, ...]:
    """Return the rows for probabilities by kind, one of each damaged coupler, and the present (clear, flag)
    limits.

    A limit never rises above the one from which a photo is flagged: the three outcomes stay in order.
    """
    rows = []
    for kind, rate in MISS_RATES.items():
        before, flag_from = limits[kind]
        needed, have = needed_examples(rate), len(shown[kind])
        after = min(clear_limit(shown[kind], rate), flag_from) if have >= needed else before
        rows.append(LimitRow(kind, rate, needed, have, before, after))
    return tuple(rows)
