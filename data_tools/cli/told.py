"""What happened to a unit, each thing in one line."""

from __future__ import annotations

from data_tools.answers import not_in_view
from data_tools.cli.frame import verdict_in_short, waiting_event_line
from data_tools.history import TimelineEntry
from data_tools.records import DecisionKind, DecisionRecord, EventRecord
from data_tools.standing import Stand, State


def entry_line(entry: TimelineEntry) -> str:
    """Return one thing that happened to a unit."""
    if entry.photo is not None:
        stands = f": {stand_in_short(entry.state)}" if entry.state else ""
        return f"photo {entry.photo.id} of coupler {entry.photo.position} ({entry.photo.file_name}){stands}"
    if entry.verdict is not None:
        word = verdict_in_short(entry.verdict.judgement)
        return f"verdict on photo {entry.verdict.photo_id}: {word} (model {entry.verdict.model_version})"
    if entry.decision is not None:
        return _decision(entry.decision)
    if entry.waited is not None:
        return waiting_event_line(entry.waited)
    return event_line(entry.event) if entry.event is not None else ""


def stand_in_short(state: State) -> str:
    """Return what stands for a photo in its own word, and the photos that spare the look at it."""
    if state.stand is Stand.IN_PART:
        return f"{state.stand.value} ({not_in_view(state.unseen)})"
    seen = " and ".join(f"photo {seen.photo_id} of {seen.day}" for seen in state.before)
    return f"{state.stand.value} (in doubt no more than {seen}, ruled intact)" if seen else state.stand.value


def _decision(decision: DecisionRecord) -> str:
    parts = [decision.kind.value]
    if decision.kind in (DecisionKind.CONFIRMED, DecisionKind.CORRECTED):
        found = ", ".join(f"{f.kind.value} at {f.place.value}" for f in decision.findings)
        parts.append(found or ("no findings" if decision.judged else "cannot be judged"))
    taken_back = " (taken back)" if decision.withdrawn else ""
    return f"{decision.decided_by} on photo {decision.photo_id}: {', '.join(parts)}{taken_back}"


def event_line(event: EventRecord) -> str:
    """Return what somebody did to a unit, and why."""
    what = f" {event.what.value}" if event.what else ""
    blinks = f" ({event.blinks} blinks)" if event.blinks else ""
    return f"{event.done_by}: {event.kind.value}{what}{blinks} {event.reason}"
