"""The limits between clear and unsure of a version that has learnt: lowered with its answers, and set again
on the operator's own photos where there are enough.

A fine-tuned version answers lower or higher than the one its limits were set for, and would clear more boldly
by them. How much more shows on damaged photos that it did not learn: no more of them may be called clear than
before. What it learnt it knows by heart, and cannot tell.

Setting again is conformal risk control as in ``model.calibration``. It needs photos that the version has
not learnt from: those of held-out couplers. Its theorem is about independent examples, and fifty photos of
one coupler are alike: each coupler counts once, by its least suspicious photo. Where too few couplers show
a damage, its earlier limit stays and the count is told.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from model.artefact import Model, load_model, save_model
from model.calibration import MISS_RATES, KindCalibration, clear_limit, needed_examples
from model.manifest import LabelledPhoto, read_manifest
from model.predict import Classifier
from model.scorebook import VISIBLE_FROM, Scored, score_labelled
from model.vocabulary import FindingKind, Place

Progress = Callable[[int, int], None]
MOST_USED = 1000
"""So many damaged photos are used at most; more would not move a limit."""
FEWEST_TO_LOWER = 15
"""Damaged photos of a kind below which its limit is not lowered: what fewer say is noise."""
_STEP, _MOST_STEPS = 0.05, 60
"""How limits fall together: log odds at a time, and at most so often."""


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
            f"so that no more of {self.photos} damaged photos that it did not learn from are called clear"
        )


@dataclass(frozen=True)
class Limits:
    """One row for each damage; ``artefact``: the model file with new limits, ``None`` where none changed."""

    rows: tuple[LimitRow, ...] | tuple[Lowered, ...]
    artefact: Path | None


def lower_limits(
    live: Path, candidate: Path, unlearnt: Path, out: Path, progress: Progress | None = None
) -> Limits:
    """Lower the clear limits of ``candidate`` until it calls no more damaged photos of the manifest
    ``unlearnt`` clear than ``live`` does, and write the result to ``out``. No limit is raised.

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
    known = model.card.calibration.kinds
    both = [pair for pair in both if _answered(*pair)]
    shown = {kind: [row for row, (old, _) in enumerate(both) if old.truth(kind)] for kind in known}
    said = tuple([scored.judgement.probabilities for scored in book] for book in zip(*both, strict=True))
    before = {kind: one.clear_below for kind, one in known.items()}
    after = lowered_limits(before, shown, *said) if both else before
    rows = [
        Lowered(kind, before[kind], after[kind], len(shown[kind]))
        for kind in known
        if after[kind] < before[kind]
    ]
    kinds = {kind: replace(one, clear_below=after[kind]) for kind, one in known.items()}
    if not rows:
        return Limits((), None)
    save_model(out, _with_kinds(model, kinds))
    return Limits(tuple(rows), out)


Said = Mapping[FindingKind, float]
"""The probabilities (0..1) that a version gives one photo."""


def lowered_limits(
    limits: Mapping[FindingKind, float],
    shown: Mapping[FindingKind, Sequence[int]],
    old: Sequence[Said],
    new: Sequence[Said],
) -> dict[FindingKind, float]:
    """Return clear limits by which ``new`` answers call no more damaged photos clear than ``old`` ones did.

    ``shown``: the rows of the photos that show each damage. First each limit falls until no more photos of
    its damage lie below it than did; then all fall together until no more are clear as a whole. None rises.
    Where too few photos show a damage (``FEWEST_TO_LOWER``) its limit stays.
    """
    moving = [kind for kind, rows in shown.items() if len(rows) >= FEWEST_TO_LOWER]
    after = dict(limits)
    for kind in moving:
        below = sum(old[row][kind] < limits[kind] for row in shown[kind])
        ranked = sorted(new[row][kind] for row in shown[kind])
        after[kind] = min(limits[kind], *ranked[below : below + 1])
    damaged = {row for rows in shown.values() for row in rows}
    allowed = _clear([old[row] for row in damaged], limits)
    for _ in range(_MOST_STEPS):
        if _clear([new[row] for row in damaged], after) <= allowed:
            break
        after |= {kind: _fallen(after[kind]) for kind in moving}
    return after


def _answered(*books: Scored) -> bool:
    """Whether all were asked about the damage that shows: 0 is no answer that could fall, where the latch is
    out of sight or the face was taken for one without."""
    kinds = [kind for kind in FindingKind if books[0].truth(kind)]
    return all(scored.judgement.probabilities[kind] > 0 for scored in books for kind in kinds)


def _clear(said: Sequence[Said], limits: Mapping[FindingKind, float]) -> int:
    return sum(all(photo[kind] < limit for kind, limit in limits.items()) for photo in said)


def _fallen(limit: float) -> float:
    return limit / (limit + (1 - limit) * math.exp(_STEP))


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
