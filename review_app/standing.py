"""From verdicts, decisions and unit status to the one standing a person has to act on."""

from __future__ import annotations

from collections.abc import Sequence

from data_tools.answers import not_in_view, state_of_file
from data_tools.held import Hold, hold_of
from data_tools.open_damage import OpenDamage
from data_tools.records import (
    DecisionKind,
    DecisionRecord,
    EventRecord,
    IngestedFile,
    IngestStatus,
    RosterLine,
    TrueFinding,
    UnitStatus,
)
from data_tools.standing import Stand
from model.judgement import Judgement
from model.vocabulary import GRAVITY, FindingKind, Outcome, Triage
from review_app.wording import (
    DECISION_WORDS,
    KIND_WORDS,
    LABEL_WORDS,
    OBSERVATION_WORDS,
    PLACE_WORDS,
    Standing,
    place_phrase,
    sentence,
)

STANDING_OF: dict[Stand, Standing] = {
    Stand.DAMAGED: Standing.DO_NOT_USE,
    Stand.DISPUTED: Standing.DO_NOT_USE,
    Stand.SUSPECTED: Standing.DO_NOT_USE,
    Stand.DOUBTED: Standing.LOOK,
    Stand.NOT_TOLD: Standing.RETAKE,
    Stand.IN_PART: Standing.RETAKE,
    Stand.AS_BEFORE: Standing.AS_BEFORE,
    Stand.SEEN_INTACT: Standing.NO_DAMAGE,
    Stand.CLEAR: Standing.NO_DAMAGE,
}
"""Where what stands for a photo puts the person in front of it."""


def standing_of_file(file: IngestedFile) -> Standing:
    """Return where one uploaded file stands; damage on its coupler counts whatever this photo shows."""
    if file.status is IngestStatus.NEEDS_UNIT:
        return Standing.NEEDS_UNIT
    if file.status is IngestStatus.SET_ASIDE:
        return Standing.SET_ASIDE
    if file.status is IngestStatus.NOT_RECEIVED:
        return Standing.NOT_RECEIVED
    state = state_of_file(file)
    standing = Standing.RETAKE if state is None else STANDING_OF[state.stand]
    if file.on_coupler is not None and standing is not Standing.DO_NOT_USE:
        # Also where this photo cannot be judged: "take it again" must not hide "do not use".
        return Standing.DO_NOT_USE if file.on_coupler.sure else Standing.LOOK
    return standing


def held_by(open_on_unit: Sequence[OpenDamage], noted: Sequence[EventRecord]) -> Standing | None:
    """Return what open damage and what staff noted make of a unit; ``None`` where they hold nothing up."""
    hold = hold_of(open_on_unit, noted)
    return {Hold.STOP: Standing.DO_NOT_USE, Hold.LOOK: Standing.LOOK}[hold] if hold else None


def standing_of_line(
    line: RosterLine, open_on_unit: Sequence[OpenDamage] = (), noted: Sequence[EventRecord] = ()
) -> Standing:
    """Return where a unit of the roster stands this week.

    A unit out of service says so whatever its photos say; open damage on any of its couplers, and what staff
    noted, stay until somebody ruled them out or put them right; only then does this week's round count. Free
    words alone change nothing.
    """
    if line.unit.status is UnitStatus.OUT_OF_SERVICE:
        return Standing.OUT_OF_SERVICE
    if held := held_by(open_on_unit, noted):
        return held
    if line.done_this_week:
        return Standing.AS_BEFORE if line.as_before else Standing.NO_DAMAGE
    return Standing.RETAKE if line.again else Standing.MISSING


def findings_of(judgement: Judgement) -> tuple[TrueFinding, ...]:
    """Return the model's findings as a person would state them."""
    return tuple(TrueFinding(f.kind, f.place) for f in judgement.findings)


def findings_words(findings: Sequence[TrueFinding]) -> str:
    """Return findings in words, the gravest kind first; the empty list is "no damage seen"."""
    return "; ".join(kind_phrase(kind, findings) for kind in _kinds_of(findings)) or "no damage seen"


def kinds_words(findings: Sequence[TrueFinding]) -> str:
    """Return only the kinds of findings in words, the gravest first."""
    return ", ".join(KIND_WORDS[kind] for kind in _kinds_of(findings))


def kind_phrase(kind: FindingKind, findings: Sequence[TrueFinding]) -> str:
    """Return one kind with all its places, such as "housing melted by heat, bottom and lower right"."""
    places = dict.fromkeys(f.place for f in findings if f.kind is kind)
    if len(places) == 1 or kind is FindingKind.MISSING_LATCH:
        return place_phrase(kind, next(iter(places)))
    *first, last = (PLACE_WORDS[place] for place in places)
    return f"{KIND_WORDS[kind]}, {', '.join(first)} and {last}"


def _kinds_of(findings: Sequence[TrueFinding]) -> list[FindingKind]:
    found = {finding.kind for finding in findings}
    return [kind for kind in GRAVITY if kind in found]


def judgement_words(judgement: Judgement, *, say_unsure: bool = False) -> str:
    """Return what the model says of a photo in one line.

    ``say_unsure`` tells an unsure verdict from a clear one. The review must not: it would unmask the clear
    verdicts that are mixed in to measure the miss rate.
    """
    if judgement.outcome is Outcome.CANNOT_JUDGE:
        return "cannot judge this photo"
    unsure = say_unsure and judgement.triage is Triage.UNSURE
    if judgement.findings:
        return ("not sure, perhaps " if unsure else "") + findings_words(findings_of(judgement))
    if unsure and judgement.in_part:
        return f"no damage in what shows; {not_in_view(judgement.unseen)}"
    if unsure:
        return "not sure"
    return LABEL_WORDS[judgement.label] if judgement.label else "no damage seen"


def said_words(decision: DecisionRecord) -> str:
    """Return what a decision says of its photo; "no damage seen" only where a person could tell."""
    if decision.kind not in (DecisionKind.CONFIRMED, DecisionKind.CORRECTED):
        return DECISION_WORDS[decision.kind]
    return findings_words(decision.findings) if decision.judged else "this photo cannot be judged"


def decision_words(decision: DecisionRecord) -> str:
    """Return the same and how it came about: who agreed, who corrected, what was taken back."""
    words, said = DECISION_WORDS[decision.kind], said_words(decision)
    if said != words:
        words += f": {said}"
    return words + (" (taken back)" if decision.withdrawn else "")


def effective(decisions: Sequence[DecisionRecord]) -> tuple[DecisionRecord, ...]:
    """Return the decisions that still stand: neither withdrawals nor what they took back."""
    return tuple(d for d in decisions if d.kind is not DecisionKind.WITHDRAWN and not d.withdrawn)


def observation_name(event: EventRecord) -> str:
    """Return what kind of thing staff noted on a unit."""
    return OBSERVATION_WORDS[event.what].lower() if event.what else ""


def observation_words(event: EventRecord) -> str:
    """Return what staff noted on a unit, in words."""
    words = observation_name(event)
    if event.blinks:
        words += f", {event.blinks} blinks between pauses"
    return f"{words}: {event.reason}" if event.reason else words


def place_words(findings: Sequence[TrueFinding]) -> str:
    """Return the places of findings, such as "Upper left, bottom"."""
    return sentence(", ".join(PLACE_WORDS[f.place] for f in findings))
