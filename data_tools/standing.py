"""What stands for one photo, folded from its verdict and its decisions. Pure: no database.

Rules. A withdrawn decision counts for nothing. Each person's latest decision is theirs. Where people
differ there is a conflict, and both stay. It is settled by a later decision of somebody who had not
decided before, or by the answer to a second opinion that was asked for. The latest decision stands;
without one, the verdict does."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from data_tools.records import DecisionKind, DecisionRecord, TrueFinding
from model.judgement import Judgement
from model.vocabulary import Outcome, Reason, Triage


@dataclass(frozen=True)
class Standing:
    """``decision`` is the one that stands (``None``: none); ``voices`` are the decisions that count."""

    decision: DecisionRecord | None
    conflict: bool
    second_opinion: bool
    voices: tuple[DecisionRecord, ...]


@dataclass(frozen=True)
class State:
    """``Standing`` laid over the verdict: what a photo shows as far as we know now."""

    standing: Standing
    judged: bool
    reason: Reason | None
    findings: tuple[TrueFinding, ...]
    queued: bool


def fold(decisions: Iterable[DecisionRecord]) -> Standing:
    """Fold the decisions of one photo (any order) into what stands."""
    voices: dict[str, DecisionRecord] = {}
    asked_by: str | None = None
    for decision in sorted(decisions, key=lambda d: d.id):
        who = decision.decided_by
        if decision.withdrawn or decision.kind is DecisionKind.WITHDRAWN:
            continue
        if decision.kind is DecisionKind.SECOND_OPINION:
            asked_by = who
        elif asked_by is not None and who != asked_by:
            voices, asked_by = {who: decision}, None
        elif who not in voices and _differ(voices.values()):
            voices = {who: decision}
        else:
            voices.pop(who, None)
            voices[who] = decision
    counting = tuple(voices.values())
    return Standing(counting[-1] if counting else None, _differ(counting), asked_by is not None, counting)


def _differ(voices: Iterable[DecisionRecord]) -> bool:
    return len({(voice.judged, frozenset(voice.findings)) for voice in voices}) > 1


def state_of(judgement: Judgement, standing: Standing, blind_audit: bool) -> State:
    """Lay ``standing`` over the photo's latest ``judgement``."""
    decision = standing.decision
    if decision is not None:
        judged, found = decision.judged, decision.findings
    else:
        judged = judgement.outcome is Outcome.SCORED
        found = tuple(TrueFinding(f.kind, f.place) for f in judgement.findings)
    wanted = judgement.triage in (Triage.FLAG, Triage.UNSURE) or (
        judgement.triage is Triage.CLEAR and blind_audit
    )
    return State(
        standing=standing,
        judged=judged,
        reason=None if judged else judgement.reason,
        findings=tuple(sorted(set(found), key=lambda f: (f.kind.value, f.place.value))),
        queued=standing.second_opinion or standing.conflict or (decision is None and wanted),
    )
