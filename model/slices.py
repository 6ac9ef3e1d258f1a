"""The same figures for parts of a labelled set: by family, light, resolution, confounder, place, ..."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from model.metrics import proportion
from model.predict import Classifier
from model.scorebook import SEVERE_FROM, VISIBLE_FROM, Scored
from model.vocabulary import FindingKind, Place, Triage

SEVERITY_BANDS = ((0.0, 0.3), (0.3, 0.6), (0.6, 1.0))
VISIBILITY_BANDS = ((VISIBLE_FROM, 0.25), (0.25, 0.5), (0.5, 1.0))
RESOLUTION_BANDS = ((0.0, 3.0), (3.0, 4.0), (4.0, 6.0), (6.0, 10.0), (10.0, float("inf")))
"""Pixels per mm on the face in the file as it was sent (attribute ``px_per_mm``)."""
TILT_BANDS = ((0.0, 10.0), (10.0, 20.0), (20.0, 30.0), (30.0, float("inf")))
UNKNOWN = "unknown"
MOST_VALUES = 24
_OWN = frozenset({"light", "subject", "generator", "surroundings"})

Part = dict[str, Any]


def slices(classifier: Classifier, good: Sequence[Scored]) -> dict[str, dict[str, Part]]:
    """Return for each dimension and each of its values what ``slice_row`` gives for those photos.

    ``good`` are usable photos of a face. Beside the fixed dimensions, every text attribute of the labels with
    2 to ``MOST_VALUES`` values is one. A photo counts once for each of its confounders. A value that all
    photos have in common is left out.
    """
    table: dict[str, dict[str, Part]] = {}
    for name, values_of in {**_FIXED, **_text_attributes(good)}.items():
        parts: dict[str, list[Scored]] = {}
        for scored in good:
            for value in values_of(scored):
                parts.setdefault(value, []).append(scored)
        # What all photos have in common tells nothing about a part.
        values = [value for value in _in_order(name, parts) if len(parts[value]) < len(good)]
        if set(values) - {UNKNOWN}:
            table[name] = {value: slice_row(classifier, parts[value]) for value in values}
    return table


def slice_row(classifier: Classifier, part: Sequence[Scored]) -> Part:
    """Return the figures of some usable photos.

    ``flagged`` and ``not_called_clear``: visible damages from ``SEVERE_FROM`` in judged photos, all kinds
    together and by kind; ``intact_flagged``, ``intact_unsure``: judged intact photos; ``unsure``: all judged
    photos; ``refused``: all photos.
    """
    cases = [
        (kind, s.answer(classifier, kind))
        for s in part
        for kind in FindingKind
        if s.scored and s.visible_findings(kind, SEVERE_FROM)
    ]
    judged = [s for s in part if s.scored]
    intact = [s for s in judged if not s.label.findings]
    return {
        "photos": len(part),
        "flagged": proportion(answer is Triage.FLAG for _, answer in cases),
        "not_called_clear": proportion(answer is not Triage.CLEAR for _, answer in cases),
        "kinds": {
            kind.value: {
                "flagged": proportion(a is Triage.FLAG for k, a in cases if k is kind),
                "not_called_clear": proportion(
                    answer is not Triage.CLEAR for k, answer in cases if k is kind
                ),
            }
            for kind in FindingKind
        },
        "intact_flagged": proportion(s.judgement.triage is Triage.FLAG for s in intact),
        "intact_unsure": proportion(s.judgement.triage is Triage.UNSURE for s in intact),
        "unsure": proportion(s.judgement.triage is Triage.UNSURE for s in judged),
        "refused": proportion(not s.scored for s in part),
    }


def by_severity(classifier: Classifier, good: Sequence[Scored], kind: FindingKind) -> dict[str, Part]:
    """Return by band of the worst visible severity how many judged photos were flagged, or not cleared."""
    worst = [max((f.severity for f in s.visible_findings(kind)), default=-1.0) for s in good]
    return _by_band(classifier, good, kind, worst, {f"{a:.1f} to {b:.1f}": (a, b) for a, b in SEVERITY_BANDS})


def by_visibility(classifier: Classifier, good: Sequence[Scored], kind: FindingKind) -> dict[str, Part]:
    """Return the same by how visible the plainest damage from ``SEVERE_FROM`` is: the share of its full
    extent that shows in the photo."""
    plainest = [max((f.visible for f in s.visible_findings(kind, SEVERE_FROM)), default=-1.0) for s in good]
    bands = {f"{low:.0%} to {high:.0%}": (low, high) for low, high in VISIBILITY_BANDS}
    return _by_band(classifier, good, kind, plainest, bands)


def _by_band(
    classifier: Classifier,
    good: Sequence[Scored],
    kind: FindingKind,
    values: Sequence[float],
    bands: dict[str, tuple[float, float]],
) -> dict[str, Part]:
    table = {}
    for name, (low, high) in bands.items():
        answers = [
            s.answer(classifier, kind)
            for s, value in zip(good, values, strict=True)
            if s.scored and low <= value < high + (high == 1)
        ]
        table[name] = {
            "flagged": proportion(answer is Triage.FLAG for answer in answers),
            "not_called_clear": proportion(answer is not Triage.CLEAR for answer in answers),
        }
    return table


def by_place(classifier: Classifier, good: Sequence[Scored]) -> dict[str, Part]:
    """Return for each place with visible damage from ``SEVERE_FROM``, in judged photos: whether that damage
    of the photo was not called clear (``not_called_clear``), and whether this place was named (``named``)."""
    table: dict[str, Part] = {}
    for place in Place:
        for kind in FindingKind:
            cases = [
                s
                for s in good
                if s.scored and any(f.place is place for f in s.visible_findings(kind, SEVERE_FROM))
            ]
            if cases:
                table.setdefault(place.value, {})[kind.value] = {
                    "not_called_clear": proportion(
                        s.answer(classifier, kind) is not Triage.CLEAR for s in cases
                    ),
                    "named": proportion(place in s.named_places(kind) for s in cases),
                }
    return table


def _band(value: object, bands: tuple[tuple[float, float], ...], unit: str) -> str:
    if not isinstance(value, int | float):
        return UNKNOWN
    return next((_band_name(*band, unit) for band in bands if band[0] <= value < band[1]), UNKNOWN)


def _band_name(low: float, high: float, unit: str) -> str:
    if low == 0:
        return f"under {high:g} {unit}"
    return f"{low:g} {unit} and more" if high == float("inf") else f"{low:g} to {high:g} {unit}"


def _confounders(scored: Scored) -> list[str]:
    value = scored.label.attributes.get("confounders")
    return [str(name) for name in value] or ["none"] if isinstance(value, list | tuple) else [UNKNOWN]


_FIXED: dict[str, Callable[[Scored], list[str]]] = {
    "family": lambda s: [str(s.label.family)],
    "light": lambda s: [str(s.label.attributes.get("light", UNKNOWN))],
    "resolution": lambda s: [_band(s.label.attributes.get("px_per_mm"), RESOLUTION_BANDS, "px/mm")],
    "tilt": lambda s: [_band(s.label.attributes.get("tilt_deg"), TILT_BANDS, "degrees")],
    "confounder": _confounders,
    "source": lambda s: [s.label.source],
}
_BAND_ORDER = {
    "resolution": [_band_name(*band, "px/mm") for band in RESOLUTION_BANDS],
    "tilt": [_band_name(*band, "degrees") for band in TILT_BANDS],
}


def _text_attributes(good: Sequence[Scored]) -> dict[str, Callable[[Scored], list[str]]]:
    values: dict[str, set[str]] = {}
    for scored in good:
        for name, value in scored.label.attributes.items():
            if isinstance(value, str) and name not in _OWN:
                values.setdefault(name, set()).add(value)
    names = sorted(name for name, found in values.items() if 2 <= len(found) <= MOST_VALUES)

    def reader(name: str) -> Callable[[Scored], list[str]]:
        return lambda s: [str(s.label.attributes.get(name) or "none")]

    return {name: reader(name) for name in names if name not in _FIXED}


def _in_order(name: str, parts: dict[str, list[Scored]]) -> list[str]:
    """Bands in their order, other values by name, what is unknown last."""
    order = {value: number for number, value in enumerate(_BAND_ORDER.get(name, []))}
    return sorted(parts, key=lambda value: (value == UNKNOWN, order.get(value, 0), value))
