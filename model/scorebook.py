"""Run a classifier over a labelled set and keep truth beside answer: the raw material of every report."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from model.examine import Examination, examine
from model.judgement import Judgement
from model.manifest import LabelledFinding, LabelledPhoto
from model.photo import Photo, open_photo
from model.predict import DECODE_SIDE, Classifier
from model.vocabulary import FindingKind, Outcome, Place, Triage

VISIBLE_FROM = 0.12
"""A damage less visible than this in the photo (manifest ``visible``) is not counted as one to be found."""
HIDDEN_BELOW = 0.03


@dataclass(frozen=True)
class Scored:
    """One photo: its truth, the raw numbers and the judgement."""

    label: LabelledPhoto
    seen: Examination
    judgement: Judgement

    @property
    def good(self) -> bool:
        """Whether this is a usable photo of a coupler face, so that it ought to be judged."""
        return self.label.family is not None and self.label.reason is None

    @property
    def scored(self) -> bool:
        """Whether the classifier judged it."""
        return self.judgement.outcome is Outcome.SCORED

    def truth(self, kind: FindingKind) -> bool | None:
        """Whether ``kind`` is visibly there; ``None`` where visibility lies between yes and no."""
        visible = [f.visible for f in self.label.findings if f.kind is kind]
        if any(v >= VISIBLE_FROM for v in visible):
            return True
        return None if any(v > HIDDEN_BELOW for v in visible) else False

    def visible_findings(self, kind: FindingKind, least_severity: float = 0.0) -> list[LabelledFinding]:
        """Return the true, visible findings of ``kind`` with at least this severity."""
        return [
            f
            for f in self.label.findings
            if f.kind is kind and f.visible >= VISIBLE_FROM and f.severity >= least_severity
        ]

    def answer(self, classifier: Classifier, kind: FindingKind) -> Triage | None:
        """Return the triage of this damage alone; ``None`` when the photo was refused."""
        if not self.scored:
            return None
        return classifier.card.calibration.kinds[kind].triage(self.judgement.probabilities[kind])

    def named_places(self, kind: FindingKind) -> set[Place]:
        """Return the places that the judgement names for ``kind``."""
        return {f.place for f in self.judgement.findings if f.kind is kind}


def score_labelled(
    classifier: Classifier,
    labels: Sequence[LabelledPhoto],
    root: Path,
    *,
    batch: int = 32,
    threads: int = 2,
    progress: Callable[[int, int], None] | None = None,
) -> list[Scored]:
    """Judge every labelled photo (files relative to ``root``), decoding ahead in ``threads``."""
    book: list[Scored] = []
    for group, photos in _decoded(labels, root, batch, threads):
        for label, photo, seen in zip(group, photos, examine(classifier.model, photos), strict=True):
            book.append(Scored(label, seen, classifier.read(photo, seen)))
        if progress:
            progress(len(book), len(labels))
    return book


def _decoded(
    labels: Sequence[LabelledPhoto], root: Path, batch: int, threads: int
) -> Iterator[tuple[Sequence[LabelledPhoto], list[Photo]]]:
    """Yield batches with their photos; the next batch is decoded while this one is judged."""

    def load(label: LabelledPhoto) -> Photo:
        return open_photo(root / label.file, max_side=DECODE_SIDE)

    groups = [labels[start : start + batch] for start in range(0, len(labels), batch)]
    with ThreadPoolExecutor(threads) as pool:
        ahead = [pool.submit(load, label) for label in groups[0]] if groups else []
        for number, group in enumerate(groups):
            photos = [future.result() for future in ahead]
            following = groups[number + 1] if number + 1 < len(groups) else ()
            ahead = [pool.submit(load, label) for label in following]
            yield group, photos
