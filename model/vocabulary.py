"""The words the whole product uses: labels, findings, places, outcomes, reasons, triage.

The lowest layer: imports nothing of ours and nothing heavy. Every stored, printed or displayed word for
a condition comes from here, so that a photo, a decision and a chart can never disagree about a name.
"""

from __future__ import annotations

from enum import StrEnum


class FindingKind(StrEnum):
    """A kind of visible damage. Findings are independent: one coupler can show several at once."""

    MISSING_LATCH = "missing_latch"
    BROKEN_PIN_HOUSING = "broken_pin_housing"
    HEAT_MELTED_HOUSING = "heat_melted_housing"


class Label(StrEnum):
    """The one-word summary of a judged photo. ``INTACT`` means no visible damage found, never "safe"."""

    INTACT = "intact"
    MISSING_LATCH = "missing latch"
    BROKEN_PIN_HOUSING = "broken pin housing"
    HEAT_MELTED_HOUSING = "heat-melted housing"


LABEL_OF_KIND: dict[FindingKind, Label] = {
    FindingKind.MISSING_LATCH: Label.MISSING_LATCH,
    FindingKind.BROKEN_PIN_HOUSING: Label.BROKEN_PIN_HOUSING,
    FindingKind.HEAT_MELTED_HOUSING: Label.HEAT_MELTED_HOUSING,
}

# The order in which one label is chosen when a photo shows several findings: what hurts most comes first.
GRAVITY: tuple[FindingKind, ...] = (
    FindingKind.HEAT_MELTED_HOUSING,
    FindingKind.BROKEN_PIN_HOUSING,
    FindingKind.MISSING_LATCH,
)


class Place(StrEnum):
    """Where on the face, by position looking into the handheld coupler with the latch side up.

    Contact names (L1, N, CP, ...) are deliberately absent: which side is which is not settled by the open
    sources the geometry was measured from.
    """

    LATCH = "latch"
    UPPER_LEFT = "upper_left"
    UPPER_RIGHT = "upper_right"
    LEFT = "left"
    CENTRE = "centre"
    RIGHT = "right"
    LOWER_LEFT = "lower_left"
    LOWER_RIGHT = "lower_right"
    BOTTOM = "bottom"


class Outcome(StrEnum):
    """What became of one photo."""

    SCORED = "scored"
    CANNOT_JUDGE = "cannot_judge"


class Reason(StrEnum):
    """Why a photo cannot be judged. Each has its own words on how to take a better photo."""

    UNREADABLE = "unreadable_file"
    NO_FACE = "no_coupler_face"
    SEVERAL_FACES = "more_than_one_face"
    OUT_OF_FRAME = "part_out_of_frame"
    TOO_BLURRED = "too_blurred"
    TOO_DARK = "too_dark"
    TOO_BRIGHT = "too_bright"
    TOO_SMALL = "too_small"
    HIDDEN = "hidden"


ADVICE: dict[Reason, str] = {
    Reason.UNREADABLE: "The file is not a photo we can open. Send the original JPEG, PNG, WebP or HEIC file.",
    Reason.NO_FACE: "No coupler face found. Hold the coupler so that you look straight into the contacts.",
    Reason.SEVERAL_FACES: "More than one coupler in the photo. Take one photo for each coupler.",
    Reason.OUT_OF_FRAME: "Part of the face is cut off. Step back until the whole face and latch are in view.",
    Reason.TOO_BLURRED: "The photo is blurred. Rest your hand, tap the face to focus, and take it again.",
    Reason.TOO_DARK: "The photo is too dark. Turn on the flash or move into light, and take it again.",
    Reason.TOO_BRIGHT: "The face is washed out by light. Shade it with your body and take it again.",
    Reason.TOO_SMALL: "The face is too small. Go closer until it fills about half of the photo.",
    Reason.HIDDEN: "Something covers the face. Take off the cap, move your hand away, and take it again.",
}


class Triage(StrEnum):
    """What happens next with a scored photo."""

    CLEAR = "clear"
    FLAG = "flag"
    UNSURE = "unsure"


def summary_label(kinds: set[FindingKind] | frozenset[FindingKind]) -> Label:
    """Return the gravest label of a set of findings; the empty set is ``Label.INTACT``."""
    for kind in GRAVITY:
        if kind in kinds:
            return LABEL_OF_KIND[kind]
    return Label.INTACT
