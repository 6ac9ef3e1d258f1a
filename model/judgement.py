"""What the model says about one photo, as plain frozen data (no torch, no numpy).

``Judgement.to_json`` is the stable form that ``rounds score --json`` prints; others measure with it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from model.vocabulary import FindingKind, Label, Outcome, Place, Reason, Triage

COVERED_BELOW = 0.02
"""From this probability of damage on, a place that is not in view is not taken for merely covered. Of 205
intact photos of five rendered sets that were unsure for nothing else 187 lie below, of 16 damaged ones 8."""


@dataclass(frozen=True)
class Finding:
    """One visible damage at one place, with the model's probability (0..1)."""

    kind: FindingKind
    place: Place
    probability: float


@dataclass(frozen=True)
class LocatedFace:
    """Where the coupler face was found in the upright photo.

    ``homography`` maps face-plane mm (x, y, 1) to pixels of the full-size upright photo, row by row, nine
    numbers with the last one 1. ``visible`` gives, for each place, whether it could be judged.
    """

    family: str
    confidence: float
    homography: tuple[float, ...]
    visible: dict[Place, bool]


@dataclass(frozen=True)
class Judgement:
    """The outcome for one photo: scored with findings, or cannot judge with a reason."""

    outcome: Outcome
    model_version: str
    reason: Reason | None = None
    detail: str = ""
    label: Label | None = None
    triage: Triage | None = None
    findings: tuple[Finding, ...] = ()
    probabilities: dict[FindingKind, float] = field(default_factory=dict)
    place_probabilities: dict[Place, dict[FindingKind, float]] = field(default_factory=dict)
    face: LocatedFace | None = None
    quality: dict[str, float] = field(default_factory=dict)

    @property
    def unseen(self) -> tuple[Place, ...]:
        """The places that could not be judged, because they are covered or out of the frame."""
        return tuple(place for place, seen in self.face.visible.items() if not seen) if self.face else ()

    @property
    def in_part(self) -> bool:
        """Whether nothing is in doubt but what is not in view: another photo tells more than a look at this
        one. A latch that is gone can look like one that is covered: then its place is in doubt too."""
        hidden = (self.place_probabilities.get(place, {}) for place in self.unseen)
        worst = max((chance for kinds in hidden for chance in kinds.values()), default=0.0)
        unsure = self.triage is Triage.UNSURE and not self.findings
        return unsure and bool(self.unseen) and worst < COVERED_BELOW

    def to_json(self, file: str) -> dict[str, Any]:
        """Return the one-line form of ``rounds score --json`` for the photo at ``file``."""
        scored = self.outcome is Outcome.SCORED
        return {
            "file": file,
            "outcome": self.outcome.value,
            "reason": self.reason.value if self.reason else None,
            "label": self.label.value if self.label else None,
            "findings": [
                {"kind": f.kind.value, "place": f.place.value, "probability": round(f.probability, 4)}
                for f in self.findings
            ],
            "probabilities": {k.value: round(self.probabilities[k], 4) for k in FindingKind}
            if scored
            else None,
            "triage": self.triage.value if self.triage else None,
            "model_version": self.model_version,
        }
