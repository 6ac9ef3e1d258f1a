"""The classifier as others use it: photos in, judgements out."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import islice
from pathlib import Path

from model.artefact import Card, Model, load_model
from model.calibration import worst
from model.dataset import HOUSING_KINDS, USABLE
from model.examine import Examination, examine, full_size_matrix
from model.judgement import Finding, Judgement, LocatedFace
from model.photo import Photo
from model.preprocess import ServePreset
from model.serving import on_cpu, ready
from model.vocabulary import (
    ADVICE,
    LABEL_OF_KIND,
    FindingKind,
    Label,
    Outcome,
    Place,
    Reason,
    Triage,
    summary_label,
)

DECODE_SIDE = ServePreset().decode_side
"""Open photos with ``max_side=DECODE_SIDE``: finer detail is not looked at."""

IN_VIEW = 0.5
MEASURED = (None, Reason.TOO_DARK, Reason.TOO_BRIGHT, Reason.TOO_SMALL, Reason.OUT_OF_FRAME)
"""What the network need not say: that nothing is wrong, and what is measured on the face instead."""


class Classifier:
    """Judges photos with one model file. Not tied to a thread; holds no photo after it is judged."""

    decode_side = DECODE_SIDE

    def __init__(self, model: Model) -> None:
        self._model = model
        self._ready: Model | None = None
        self._making_ready = threading.Lock()

    @classmethod
    def load(cls, path: Path | None = None) -> Classifier:
        """Load a model file, by default the shipped one; raises ``ArtefactError``."""
        return cls(load_model(path))

    @property
    def version(self) -> str:
        """The model version that every judgement names."""
        return self._model.card.version

    @property
    def card(self) -> Card:
        """What the model file says about itself."""
        return self._model.card

    @property
    def model(self) -> Model:
        """The networks as trained and their card, for evaluation and evidence."""
        return self._model

    def serving(self) -> Model:
        """Return the networks that judge: on a CPU copies made ready for serving, else those as trained."""
        if not on_cpu(self._model.condition):
            return self._model
        with self._making_ready:  # done twice, it would take twice the memory
            if self._ready is None:
                model = self._model
                self._ready = replace(
                    model,
                    locator=ready(model.locator),
                    condition=ready(model.condition, rounded=True),
                    second=model.second and ready(model.second, rounded=True),
                )
            return self._ready

    def judge(self, photo: Photo) -> Judgement:
        """Judge one photo (see ``DECODE_SIDE``)."""
        return next(self.judge_many([photo]))

    def judge_many(self, photos: Iterable[Photo], batch: int = 16) -> Iterator[Judgement]:
        """Judge photos in order, ``batch`` at a time; memory does not grow with their number."""
        source = iter(photos)
        while group := list(islice(source, batch)):
            for photo, examination in zip(group, examine(self.serving(), group), strict=True):
                yield self.read(photo, examination)

    def read(self, photo: Photo, seen: Examination) -> Judgement:
        """Turn raw numbers into a judgement by this model's calibration."""
        located = self._located(photo, seen)
        reason = self._refusal(seen, located)
        if reason is not None or seen.face is None or located is None:
            reason = reason or Reason.NO_FACE
            return Judgement(
                Outcome.CANNOT_JUDGE, self.version, reason, ADVICE[reason], face=located, quality=seen.quality
            )
        probabilities, places = self._probabilities(seen, located)
        triage = self._triage(seen, located, probabilities)
        findings = self._findings(probabilities, places)
        return Judgement(
            Outcome.SCORED,
            self.version,
            detail=_detail(located),
            label=self._label(findings, probabilities, triage),
            triage=triage,
            findings=findings,
            probabilities=probabilities,
            place_probabilities=places,
            face=located,
            quality=seen.quality,
        )

    def _located(self, photo: Photo, seen: Examination) -> LocatedFace | None:
        if seen.face is None:
            return None
        family = seen.face.family
        visible = {
            place: seen.in_frame[place] > IN_VIEW and float(seen.housing[row, 2]) > 0.0
            for row, place in enumerate(family.housing_places)
        }
        if family.has_latch:
            visible[Place.LATCH] = seen.in_frame[Place.LATCH] > IN_VIEW and float(seen.latch[1]) > 0.0
        return LocatedFace(family.key, seen.face.confidence, full_size_matrix(photo, seen.face), visible)

    def _refusal(self, seen: Examination, located: LocatedFace | None) -> Reason | None:
        """Return why the photo cannot be judged, first by measurement, then by the network's own doubt."""
        if seen.face is None or located is None:
            return seen.reason or Reason.NO_FACE
        calibration = self._model.card.calibration
        if seen.usable[USABLE.index(Reason.NO_FACE)] >= calibration.face_from:
            return Reason.NO_FACE
        # A measured cut-off is judged in part below; every other measured fault refuses.
        if seen.reason is not None and seen.reason is not Reason.OUT_OF_FRAME:
            return seen.reason
        doubt = USABLE[int(seen.usable.argmax())]
        if doubt not in MEASURED and 1 - seen.usable[0] >= calibration.refuse_from:
            return doubt
        if sum(located.visible.values()) * 2 < len(located.visible):
            cut = any(share <= IN_VIEW for share in seen.in_frame.values())
            return Reason.OUT_OF_FRAME if cut else Reason.HIDDEN
        return None

    def _probabilities(
        self, seen: Examination, located: LocatedFace
    ) -> tuple[dict[FindingKind, float], dict[Place, dict[FindingKind, float]]]:
        assert seen.face is not None
        family = seen.face.family
        kinds = self._model.card.calibration.kinds
        photo = {kind: kinds[kind].probability(float(seen.photo[n])) for n, kind in enumerate(FindingKind)}
        places: dict[Place, dict[FindingKind, float]] = {
            place: {
                kind: kinds[kind].place_probability(float(seen.housing[row, k]))
                for k, kind in enumerate(HOUSING_KINDS)
            }
            for row, place in enumerate(family.housing_places)
        }
        latch = FindingKind.MISSING_LATCH
        if family.has_latch:
            places[Place.LATCH] = {latch: kinds[latch].place_probability(float(seen.latch[0]))}
        if not family.has_latch or not self._latch_answered(seen, located, photo[latch]):
            photo[latch] = 0.0
        return photo, places

    def _latch_answered(self, seen: Examination, located: LocatedFace, probability: float) -> bool:
        """Whether the photo tells of the latch. One that is gone the network may take for covered: then what
        would be flagged is believed, as long as its place is in the frame."""
        if located.visible[Place.LATCH]:
            return True
        flagged = self._model.card.calibration.kinds[FindingKind.MISSING_LATCH].triage(probability)
        return flagged is Triage.FLAG and seen.in_frame[Place.LATCH] > IN_VIEW

    def _triage(
        self, seen: Examination, located: LocatedFace, probabilities: dict[FindingKind, float]
    ) -> Triage:
        kinds = self._model.card.calibration.kinds
        possible = {kind: p for kind, p in probabilities.items() if _has(located, kind)}
        triage = worst([kinds[kind].triage(p) for kind, p in possible.items()])
        # What was not seen was not found clear.
        if triage is Triage.CLEAR and not all(located.visible.values()):
            return Triage.UNSURE
        return triage

    def _findings(
        self, probabilities: dict[FindingKind, float], places: dict[Place, dict[FindingKind, float]]
    ) -> tuple[Finding, ...]:
        """Name each damage that is not clear, at every place that shows it and at least at the likeliest."""
        calibration = self._model.card.calibration.kinds
        findings: list[Finding] = []
        for kind, probability in probabilities.items():
            at = {place: kinds[kind] for place, kinds in places.items() if kind in kinds}
            if not at or calibration[kind].triage(probability) is Triage.CLEAR:
                continue
            best = max(at, key=lambda place: at[place])
            named = [p for p, value in at.items() if value >= calibration[kind].place_from or p is best]
            findings += [
                Finding(kind, place, max(at[place], probability * (place is best))) for place in named
            ]
        return tuple(sorted(findings, key=lambda finding: -finding.probability))

    def _label(
        self, findings: tuple[Finding, ...], probabilities: dict[FindingKind, float], triage: Triage
    ) -> Label:
        """Return the gravest flagged damage; for an unsure photo the likeliest one if it is at least as
        likely as not, else ``INTACT``: whoever shows that says that a person must look first."""
        kinds = self._model.card.calibration.kinds
        flagged = {k for k, p in probabilities.items() if kinds[k].triage(p) is Triage.FLAG}
        if flagged:
            return summary_label(flagged)
        likely = max(probabilities, key=lambda kind: probabilities[kind])
        if findings and triage is Triage.UNSURE and probabilities[likely] >= 0.5:
            return LABEL_OF_KIND[likely]
        return Label.INTACT


def _has(located: LocatedFace, kind: FindingKind) -> bool:
    """Whether a coupler of the located family can show ``kind`` at all."""
    return kind is not FindingKind.MISSING_LATCH or Place.LATCH in located.visible


def _detail(located: LocatedFace) -> str:
    unseen = [place.value.replace("_", " ") for place, seen in located.visible.items() if not seen]
    return f"Not in view, so not judged: {', '.join(unseen)}." if unseen else ""
