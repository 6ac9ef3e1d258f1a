"""Do the confirmed labels fit together? One that contradicts a sure model and like photos is doubtful.

Either alone proves nothing: people correct the model, and rare damage has unlike neighbours. Both together
happen now and then; beyond one label in ten it is the labels that need a second look, not the model. What a
second person confirmed is believed: else a make of coupler that the live model is surely wrong about could
never be taught.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from model.artefact import load_model
from model.embedding import look_at
from model.manifest import LabelledPhoto, read_manifest
from model.vocabulary import FindingKind

SURE = 0.75
"""Networks taught with softened truths seldom say 0.9. On 86 rendered photos 3 labels were doubtful; with 26
flipped at random 10 to 20, and in 38 of 40 draws more than ``USUAL_DOUBTS`` explains."""
NEIGHBOURS = 5
AGREED = 2
"""A label that so many people gave is not doubtful."""
USUAL_DOUBTS = 0.10
"""Share of doubtful labels that is still put down to hard photos (common practice, no source)."""
SIGNIFICANCE = 0.05
MOST_CHECKED = 1000
NAMED = 5


@dataclass(frozen=True)
class Doubt:
    """A label that contradicts the model and most like photos. ``says``: the label claims the damage;
    ``probability`` is the model's; ``against`` of ``NEIGHBOURS`` like photos say otherwise."""

    file: str
    kind: FindingKind
    says: bool
    probability: float
    against: int
    confirmed_by: tuple[str, ...]


@dataclass(frozen=True)
class LabelCheck:
    """``checked`` photos, the doubtful labels among them, and by reviewer (doubtful photos, photos)."""

    checked: int
    doubts: tuple[Doubt, ...] = ()
    by_reviewer: tuple[tuple[str, int, int], ...] = ()

    @property
    def doubtful(self) -> int:
        """How many photos have a doubtful label."""
        return len({doubt.file for doubt in self.doubts})

    @property
    def too_many(self) -> bool:
        """Whether more are doubtful than ``USUAL_DOUBTS`` explains (one-sided exact binomial test)."""
        return (
            self.checked > 0 and float(binom.sf(self.doubtful - 1, self.checked, USUAL_DOUBTS)) < SIGNIFICANCE
        )

    @property
    def words(self) -> str:
        """The result in plain words, with whom to ask and where to look first."""
        if not self.doubts:
            return f"No doubtful label among {self.checked} photos."
        people = ", ".join(f"{name} {doubts} of {n}" for name, doubts, n in self.by_reviewer if doubts)
        first = ", ".join(f"{d.file} ({_claim(d)})" for d in self.doubts[:NAMED])
        return (
            f"{self.doubtful} of {self.checked} confirmed photos have a label that contradicts both a sure "
            f"live model and most like photos. By reviewer: {people}. Let a second person look at these "
            f"first, whose word settles it: {first}."
        )


def _claim(doubt: Doubt) -> str:
    kind = doubt.kind.value.replace("_", " ")
    return f"labelled {kind}" if doubt.says else f"labelled free of {kind}"


def check_labels(
    live: Path, manifest: Path, progress: Callable[[int, int], None] | None = None
) -> LabelCheck:
    """Check the labels of ``manifest`` against the model file ``live`` and against each other.

    Of more than ``MOST_CHECKED`` photos with a located face the first are taken: frozen sets are ordered by
    the photos' hashes, so that is a random draw.
    """
    usable = [p for p in read_manifest(manifest) if p.family and p.homography and p.reason is None]
    labels = usable[:MOST_CHECKED]
    looks = look_at(load_model(live), [(label, manifest.parent) for label in labels], progress)
    return find_doubts(labels, looks.vectors, looks.probabilities)


def find_doubts(
    labels: Sequence[LabelledPhoto], vectors: NDArray[np.float32], probabilities: NDArray[np.float64]
) -> LabelCheck:
    """Return what is doubtful, the clearest contradictions first.

    ``vectors`` NxD and ``probabilities`` Nx3 (in the order of ``FindingKind``) belong to the N ``labels``.
    """
    near = _neighbours(labels, vectors)
    doubts: list[Doubt] = []
    for column, kind in enumerate(FindingKind):
        claims = np.array([any(f.kind is kind for f in label.findings) for label in labels], dtype=bool)
        p = probabilities[:, column]
        contradicted = np.where(claims, p <= 1 - SURE, p >= SURE)
        for row in np.flatnonzero(contradicted).tolist():
            against = int((claims[near[row]] != claims[row]).sum())
            people = tuple(labels[row].attributes.get("confirmed_by", ()))
            if len(people) < AGREED and len(near[row]) and against * 2 > len(near[row]):
                doubts.append(
                    Doubt(labels[row].file, kind, bool(claims[row]), float(p[row]), against, people)
                )
    doubts.sort(key=lambda d: (min(d.probability, 1 - d.probability), -d.against, d.file))
    return LabelCheck(len(labels), tuple(doubts), _by_reviewer(labels, doubts))


def _neighbours(labels: Sequence[LabelledPhoto], vectors: NDArray[np.float32]) -> list[NDArray[np.intp]]:
    """Return for each photo the most like ones of other couplers of its family, by angle."""
    centred = vectors - vectors.mean(0) if len(vectors) else vectors
    unit = centred / np.maximum(np.linalg.norm(centred, axis=1, keepdims=True), 1e-9)
    likeness = unit @ unit.T
    couplers = np.array([label.coupler for label in labels])
    families = np.array([str(label.family) for label in labels])
    found = []
    for row in range(len(labels)):
        others = np.flatnonzero((couplers != couplers[row]) & (families == families[row]))
        found.append(others[np.argsort(-likeness[row, others], kind="stable")[:NEIGHBOURS]])
    return found


def _by_reviewer(
    labels: Sequence[LabelledPhoto], doubts: Sequence[Doubt]
) -> tuple[tuple[str, int, int], ...]:
    seen = Counter(name for label in labels for name in label.attributes.get("confirmed_by", ()))
    doubtful = {doubt.file: doubt.confirmed_by for doubt in doubts}
    counts = Counter(name for people in doubtful.values() for name in people)
    return tuple(
        (name, counts[name], n) for name, n in sorted(seen.items(), key=lambda i: (-counts[i[0]], i[0]))
    )
