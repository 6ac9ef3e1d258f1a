"""What people read: every word, sign and colour the screens use for a condition, an action or a key.

The vocabulary (``model.vocabulary``) fixes what exists; this file fixes what it is called on a screen. A
state is never told by colour alone: each has a sign and a word too.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from data_tools.access import Role
from data_tools.held import STOPS
from data_tools.records import DecisionKind, EventKind, ObservationKind, WaitingEventKind
from model.vocabulary import FindingKind, Label, Place, Reason


class Standing(StrEnum):
    """Where a unit or photo stands for the person in front of it."""

    DO_NOT_USE = "do_not_use"
    NOT_RECEIVED = "not_received"
    RETAKE = "retake"
    NEEDS_UNIT = "needs_unit"
    LOOK = "look"
    OUT_OF_SERVICE = "out_of_service"
    MISSING = "missing"
    SET_ASIDE = "set_aside"
    AS_BEFORE = "as_before"
    NO_DAMAGE = "no_damage"


@dataclass(frozen=True)
class Sign:
    """How a standing looks: its words, a short form, the name of its drawn sign, ink and paper colours."""

    words: str
    short: str
    shape: str
    ink: str
    paper: str
    filled: bool = False


SIGNS: dict[Standing, Sign] = {
    Standing.DO_NOT_USE: Sign(
        "DO NOT USE this coupler", "Do not use", "octagon", "#9B1C1C", "#FBE9E7", filled=True
    ),
    Standing.NOT_RECEIVED: Sign("Not received: send it again", "Not received", "bar", "#8E1616", "#FBE9E7"),
    Standing.RETAKE: Sign("Take it again", "Take again", "again", "#1D4E89", "#E8F0FA"),
    Standing.NEEDS_UNIT: Sign("Which unit is this?", "Unit?", "question", "#1D4E89", "#E8F0FA"),
    Standing.LOOK: Sign(
        "Not sure: do not use it until a technician has looked",
        "Not sure: do not use",
        "triangle",
        "#6F4200",
        "#FFF3D6",
    ),
    Standing.OUT_OF_SERVICE: Sign("Out of service", "Out of service", "bar", "#3B3B3B", "#E4E4E0"),
    Standing.MISSING: Sign("No photo this week", "No photo yet", "ring", "#4A5552", "#FBFAF7"),
    Standing.SET_ASIDE: Sign("Set aside", "Set aside", "box", "#4A5552", "#FBFAF7"),
    Standing.AS_BEFORE: Sign(
        "No more in doubt than before", "No more in doubt than before", "equal", "#33474B", "#EDF2F2"
    ),
    Standing.NO_DAMAGE: Sign("No damage seen", "No damage seen", "tick", "#1A5535", "#E6F2EA"),
}

NO_DAMAGE_NOTE = (
    "No visible damage found in this photo. A photo cannot show everything: tell us below what else you saw."
)

DO_NOW: tuple[str, ...] = (
    "Do not plug it in. If a car is charging, stop the charge at the unit or in the car first.",
    "If the coupler is stuck or hot, do not pull or force it. Keep your distance.",
    "Keep others from using it: cover or tape off the coupler and hang up a sign.",
    "Tell the technician now. Do not wait for the end of the round.",
    "Do not open, clean or repair anything. That is work for a licensed electrician under the local codes.",
)
LOOK_NOW: tuple[str, ...] = (
    "Leave the coupler alone and keep others from using it until the technician has answered.",
    "If it looks melted, broken, loose or burnt to you, tell the technician now.",
)
BEFORE_NOW: tuple[str, ...] = LOOK_NOW[1:]
MORE_WORDS: dict[Standing, str] = {
    Standing.AS_BEFORE: "{} more, no more in doubt than before",
    Standing.NO_DAMAGE: "No damage seen in {} more",
}
"""The heading over photos of a round that nobody needs to act on and that have no card of their own."""
ASIDE_REASONS: tuple[str, ...] = ("No coupler in it", "Not one of our couplers", "Sent by mistake")
"""Why a waiting photo is set aside; any other reason can be typed."""
NOT_RECEIVED_NOTE = "This file was NOT kept. Send it again."

KIND_WORDS: dict[FindingKind, str] = {
    FindingKind.MISSING_LATCH: "latch missing",
    FindingKind.BROKEN_PIN_HOUSING: "pin housing broken",
    FindingKind.HEAT_MELTED_HOUSING: "housing melted by heat",
}
KIND_LETTER: dict[FindingKind, str] = {
    FindingKind.HEAT_MELTED_HOUSING: "M",
    FindingKind.BROKEN_PIN_HOUSING: "B",
    FindingKind.MISSING_LATCH: "L",
}
KIND_COLOUR: dict[FindingKind, str] = {
    FindingKind.HEAT_MELTED_HOUSING: "#9B1C1C",
    FindingKind.BROKEN_PIN_HOUSING: "#6F4200",
    FindingKind.MISSING_LATCH: "#4B2E83",
}
PLACE_WORDS: dict[Place, str] = {
    Place.LATCH: "latch",
    Place.UPPER_LEFT: "upper left",
    Place.UPPER_RIGHT: "upper right",
    Place.LEFT: "left",
    Place.CENTRE: "centre",
    Place.RIGHT: "right",
    Place.LOWER_LEFT: "lower left",
    Place.LOWER_RIGHT: "lower right",
    Place.BOTTOM: "bottom",
}
LABEL_WORDS: dict[Label, str] = {
    Label.INTACT: "no damage seen",
    Label.MISSING_LATCH: "latch missing",
    Label.BROKEN_PIN_HOUSING: "pin housing broken",
    Label.HEAT_MELTED_HOUSING: "housing melted by heat",
}
REASON_WORDS: dict[Reason, str] = {
    Reason.UNREADABLE: "the file is not a photo",
    Reason.NO_FACE: "no coupler face in the photo",
    Reason.SEVERAL_FACES: "more than one coupler",
    Reason.OUT_OF_FRAME: "part of the face is cut off",
    Reason.TOO_BLURRED: "too blurred",
    Reason.TOO_DARK: "too dark",
    Reason.TOO_BRIGHT: "washed out by light",
    Reason.TOO_SMALL: "too far away",
    Reason.HIDDEN: "something covers the face",
}
DECISION_WORDS: dict[DecisionKind, str] = {
    DecisionKind.CONFIRMED: "agreed with the model",
    DecisionKind.CORRECTED: "corrected the model",
    DecisionKind.CANNOT_TELL: "cannot tell from this photo",
    DecisionKind.SECOND_OPINION: "asked for a second opinion",
    DecisionKind.WITHDRAWN: "took the decision back",
}
EVENT_WORDS: dict[EventKind, str] = {
    EventKind.OUT_OF_SERVICE: "Taken out of service",
    EventKind.REPLACED: "Coupler replaced",
    EventKind.RETURNED: "Returned to service",
    EventKind.OBSERVED: "Seen on the round",
    EventKind.REFILED: "Photo moved",
    EventKind.FAMILY_CORRECTED: "Connector family corrected",
}
WAITED_WORDS: dict[WaitingEventKind, str] = {
    WaitingEventKind.SET_ASIDE: "set it aside",
    WaitingEventKind.BROUGHT_BACK: "brought it back",
}


@dataclass(frozen=True)
class Observation:
    """Something a photo does not show, and what to do then."""

    what: ObservationKind
    words: str
    then: str

    @property
    def stop(self) -> bool:
        """Whether the coupler must not be used until it is settled."""
        return self.what in STOPS


OBSERVATIONS: tuple[Observation, ...] = (
    Observation(
        ObservationKind.RELEASE_BUTTON_STICKS,
        "Release button sticks",
        "Do not force it. If a car is held by it, stop the charge in the car and call the technician.",
    ),
    Observation(
        ObservationKind.CABLE_CUT_OR_FRAYED,
        "Cable cut or frayed",
        "Do not touch the damaged part. Keep people away and tell the technician now.",
    ),
    Observation(
        ObservationKind.DEBRIS_IN_FACE,
        "Dirt, water or an object in the face",
        "Do not reach into the contacts, and use no tools. The technician will clear it with the power off.",
    ),
    Observation(
        ObservationKind.INDICATOR_FAULT,
        "Fault light on the unit",
        "Note how many times it blinks between pauses. The technician looks it up in the unit's manual.",
    ),
)

OBSERVATION_WORDS: dict[ObservationKind, str] = {
    **{entry.what: entry.words for entry in OBSERVATIONS},
    ObservationKind.INDICATOR_FAULT: "Fault light",
    ObservationKind.OTHER: "Note",
}

SHORTCUTS: dict[str, str] = {
    "agree": "A",
    "show": "E",
    "looked": "W",
    "none": "N",
    "several": "V",
    "done": "D",
    "cannot_tell": "T",
    "second": "O",
    "skip": "S",
    "undo": "U",
}
"""Keys of the review screen; the kinds of damage use KIND_LETTER, the places their number on the drawing."""

COLUMN_WORDS: dict[str, str] = {
    "about": "about",
    "age_days": "age in days",
    "agreed": "agreed in",
    "at_most": "at most (one-sided)",
    "at_risk": "at risk",
    "centre": "centre line",
    "events": "with damage",
    "from_age_days": "followed from day",
    "hidden_at_most": "hidden at most",
    "kappa": "agreement beyond chance (kappa)",
    "high": "upper end",
    "low": "lower end",
    "last_reason": "why the last one did not count",
    "lower": "lower limit",
    "median_days": "half have damage by day",
    "needed": "still needed",
    "new": "newly damaged",
    "p_value": "probability by chance",
    "rate": "share",
    "to_age_days": "to day",
    "upper": "upper limit",
    "words": "what it points to",
}
"""What table columns are called where their own name is not plain enough."""

WATCH_WORDS: dict[str, str] = {
    "agreed": "people agreed with the model",
    "refused": "photo could not be judged",
    "unsure": "model not sure",
}
"""What the weekly watch measures."""

MEASURE_WORDS: dict[str, str] = {
    "auroc": "told apart from the rest (area under the curve)",
    "by_severity": "not called clear, severity",
    "family_right": "connector family right",
    "flagged": "flagged",
    "good_refused": "good photo refused",
    "intact_flagged": "intact coupler flagged",
    "intact_unsure": "intact coupler called unsure",
    "not_called_clear": "damaged coupler not called clear",
    "place_right": "place right",
    "severe_refused": "severe damage refused",
}
"""What the measures of a model card are called."""

ROLE_WORDS: dict[Role, tuple[str, str]] = {
    Role.UPLOADER: ("Facilities", "I take the photos on the weekly round."),
    Role.TECHNICIAN: ("Technician", "I look at flagged photos and act on units."),
    Role.LEAD: ("Maintenance lead", "I plan from the trends and look after the model."),
}

ROWS_OF = "Rows {first} to {last} of {all}: {named}"
MORE_ROWS = "{left} more rows: save the numbers, or look at them on a wider screen."


def as_before_words(as_before: int, unsure: int) -> str:
    """Return how many of a week's couplers the model was unsure of, and of how many no more than before."""
    some = f"of {as_before} of them " if unsure > 1 else ""
    spared = f", {some}no more than when a technician saw no damage" if as_before else ""
    plural = "s" if unsure > 1 else ""
    return f"The model was unsure of {unsure} coupler{plural} this week{spared}." if unsure else ""


def place_phrase(kind: FindingKind, place: Place) -> str:
    """Return one finding in the trade's words, such as "housing melted by heat, upper left"."""
    if kind is FindingKind.MISSING_LATCH:
        return KIND_WORDS[kind]
    return f"{KIND_WORDS[kind]}, {PLACE_WORDS[place]}"


def sentence(words: str) -> str:
    """Return ``words`` with a capital first letter."""
    return words[:1].upper() + words[1:]


_VALUES: dict[str, str] = {
    word.value: words
    for table in (KIND_WORDS, PLACE_WORDS, LABEL_WORDS, REASON_WORDS)
    for word, words in table.items()
}


def value_words(value: object) -> object:
    """Return what people call a word of the vocabulary in a table; anything else comes back unchanged."""
    return _VALUES.get(value, value) if isinstance(value, str) else value
