"""The limits between clear and unsure, set again on the operator's own photos where there are enough.

Conformal risk control as in ``model.calibration``. It needs photos that the version has not learnt from:
those of held-out couplers. Where one damage has too few, its earlier limit stays and the count is told.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from model.artefact import load_model, save_model
from model.calibration import MISS_RATES, clear_limit, needed_examples
from model.manifest import read_manifest
from model.predict import Classifier
from model.scorebook import score_labelled
from model.vocabulary import FindingKind

MOST_USED = 1000
"""So many damaged photos are used at most; more would not move a limit."""


@dataclass(frozen=True)
class LimitRow:
    """One damage: ``have`` photos of held-out couplers that show it, of ``needed`` for the miss
    rate ``rate``; the limit below which it is called clear ``before`` and ``after``."""

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
            return f"{kind}: {self.have} of the {self.needed} photos needed; limit kept"
        return f"{kind}: limit {self.before:.3f} to {self.after:.3f}, from {self.have} photos"


@dataclass(frozen=True)
class Limits:
    """One row for each damage; ``artefact``: the model file with new limits, ``None`` where none changed."""

    rows: tuple[LimitRow, ...]
    artefact: Path | None


def follow_limits(
    candidate: Path, held_out: Path, out: Path, progress: Callable[[int, int], None] | None = None
) -> Limits:
    """Set the clear limits of ``candidate`` on the photos of ``held_out`` and write the result to ``out``.

    A refused photo counts for nothing: a refusal is no clearing.

    Raises:
        StorageError: the disk has no room for the result.
    """
    model = load_model(candidate)
    classifier = Classifier(model)
    damaged = [photo for photo in read_manifest(held_out) if photo.findings and photo.reason is None]
    book = score_labelled(classifier, damaged[:MOST_USED], held_out.parent, progress=progress)
    shown = {
        kind: [s.judgement.probabilities[kind] for s in book if s.good and s.scored and s.truth(kind)]
        for kind in FindingKind
    }
    rows = limit_rows(
        shown, {k: (c.clear_below, c.flag_from) for k, c in model.card.calibration.kinds.items()}
    )
    if all(row.after == row.before for row in rows):
        return Limits(rows, None)
    kinds = {row.kind: replace(model.card.calibration.kinds[row.kind], clear_below=row.after) for row in rows}
    card = replace(model.card, calibration=replace(model.card.calibration, kinds=kinds))
    save_model(out, replace(model, card=card))
    return Limits(rows, out)


def limit_rows(
    shown: dict[FindingKind, list[float]], limits: dict[FindingKind, tuple[float, float]]
) -> tuple[LimitRow, ...]:
    """Return the rows for probabilities of damaged photos by kind and the present (clear, flag) limits.

    A limit never rises above the one from which a photo is flagged: the three outcomes stay in order.
    """
    rows = []
    for kind, rate in MISS_RATES.items():
        before, flag_from = limits[kind]
        needed, have = needed_examples(rate), len(shown[kind])
        after = min(clear_limit(shown[kind], rate), flag_from) if have >= needed else before
        rows.append(LimitRow(kind, rate, needed, have, before, after))
    return tuple(rows)
