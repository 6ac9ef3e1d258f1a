"""What stands for one photo, folded from its verdicts and its decisions. Pure: no database.

The one place that says so: ``photo_states`` stores it, records hand it out, screens and lists translate it.

Rules. A withdrawn decision counts for nothing. Each person's latest decision is theirs. Where people
differ there is a conflict, and both stay. It is settled by a later decision of somebody who had not taken a
side before, or by the answer to a second opinion that was asked for. Who cannot tell settles nothing and has
taken no side; the first who can tell after them differs from nobody.
What a person saw stands once it is settled; until then all that was said stands, or else the gravest verdict:
a flag that nobody has ruled on outlasts a milder verdict of a newer version.
An unsure photo that nobody has said anything of is as before where it looks no more suspicious than earlier
photos of its coupler in which a person saw no damage (``model.as_before``); the verdict stays unsure. One
that is unsure for nothing but what is not in view waits for a better photo, and for nobody's look."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from data_tools.records import DecisionKind, DecisionRecord, TrueFinding
from model.judgement import Judgement
from model.vocabulary import Outcome, Place, Reason, Triage


class Stand(StrEnum):
    """What a photo says of its coupler, the gravest first."""

    DAMAGED = "damaged"
    """A person saw damage, and nobody differs."""
    DISPUTED = "disputed"
    """A person saw damage, but people differ or a second opinion is awaited."""
    SUSPECTED = "suspected"
    """A version flagged it, and nobody has ruled on it."""
    DOUBTED = "doubted"
    """A version was unsure, or people are; nobody has ruled on it."""
    NOT_TOLD = "not_told"
    """Neither a person nor the model could tell."""
    IN_PART = "in_part"
    """The model saw no damage in what is in view, but not all is; nobody has said anything."""
    AS_BEFORE = "as_before"
    """Unsure, but no more than on a photo in which a technician saw no damage; nobody has said anything."""
    SEEN_INTACT = "seen_intact"
    """A person saw no damage, and nobody differs."""
    CLEAR = "clear"
    """The model found no damage, and nobody has said anything."""


OPEN = (Stand.DAMAGED, Stand.DISPUTED, Stand.SUSPECTED, Stand.DOUBTED)
"""What keeps a coupler from reading "no damage seen"."""
RULED = (Stand.DAMAGED, Stand.SEEN_INTACT)
"""What a person said and nobody disputes: it overtakes earlier photos of the coupler."""
SAID = (*RULED, Stand.DISPUTED)
"""What rests on what a person saw, even where another differs."""
GOOD = (Stand.AS_BEFORE, Stand.SEEN_INTACT, Stand.CLEAR)
"""What holds no coupler up and needs no better photo."""
UNDAMAGED = (Stand.SEEN_INTACT, Stand.CLEAR)
"""What shows the coupler without damage as far as anybody knows: what others are held against. A photo in
doubt is not among them, however little in doubt."""
DOUBTFUL = (*OPEN, Stand.AS_BEFORE)
"""What may show damage by itself: beside another coupler than now it would be open."""
_SUSPICION = {Triage.FLAG: 2, Triage.UNSURE: 1, Triage.CLEAR: 0, None: 0}


@dataclass(frozen=True)
class Standing:
    """``decision`` is the latest that counts (``None``: none); ``voices`` are all that count."""

    decision: DecisionRecord | None
    conflict: bool
    second_opinion: bool
    voices: tuple[DecisionRecord, ...]

    @property
    def disputed(self) -> bool:
        """Whether people differ or wait for a second opinion."""
        return self.conflict or self.second_opinion

    @property
    def ruled(self) -> bool:
        """Whether a person could tell and nothing is left to settle."""
        return self.decision is not None and self.decision.judged and not self.disputed

    def settled_by(self, who: str) -> bool:
        """Whether the word of ``who`` would settle the conflict."""
        return self.conflict and _settles({voice.decided_by: voice for voice in self.voices}, who)


@dataclass(frozen=True)
class SeenBefore:
    """An earlier photo of the same coupler in which a person saw no damage; ``day``: local to the site."""

    photo_id: int
    day: date


@dataclass(frozen=True)
class State:
    """What a photo shows as far as we know now. ``judged`` is false where nobody could tell; ``reason`` then
    says why the model could not. ``findings`` are a person's, or what is suspected until somebody rules.
    ``before``: the photos that one that is as before is no more suspicious than. ``unseen``: what is not in
    view, where nobody has said anything."""

    stand: Stand
    judged: bool
    reason: Reason | None
    findings: tuple[TrueFinding, ...]
    queued: bool
    before: tuple[SeenBefore, ...] = ()
    unseen: tuple[Place, ...] = ()


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
            continue
        answers = asked_by is not None and who != asked_by
        if answers:
            asked_by = None
        if decision.judged and (answers or _settles(voices, who)):
            voices = {}
        voices.pop(who, None)
        voices[who] = decision
    counting = tuple(voices.values())
    return Standing(counting[-1] if counting else None, _differ(counting), asked_by is not None, counting)


def _settles(voices: dict[str, DecisionRecord], who: str) -> bool:
    took_side = who in voices and voices[who].judged
    others = [voice for name, voice in voices.items() if name != who]
    return not took_side and (_differ(others) or not any(voice.judged for voice in others))


def _differ(voices: Iterable[DecisionRecord]) -> bool:
    return len({(voice.judged, frozenset(voice.findings)) for voice in voices}) > 1


def verdict_that_stands(judgements: Sequence[Judgement], standing: Standing) -> int:
    """Return the index of the verdict that counts, of those of one photo, oldest first.

    It is the latest, once a person has ruled; before, the latest of the most suspicious. One that is unsure
    for nothing but what is not in view answers no doubt of another version.
    """
    if standing.ruled:
        return len(judgements) - 1
    return max(range(len(judgements)), key=lambda at: (_suspicion(judgements[at]), at))


def _suspicion(judgement: Judgement) -> tuple[int, bool]:
    return _SUSPICION[judgement.triage], not judgement.in_part


def state_of(
    judgement: Judgement,
    standing: Standing,
    blind_audit: bool,
    before: tuple[SeenBefore, ...] = (),
    *,
    asked: bool = False,
) -> State:
    """Lay ``standing`` over the ``judgement`` of the photo that stands (``verdict_that_stands``).

    ``blind_audit``: it is drawn for a look nevertheless, where nothing else asks for one. ``before``: photos
    that it is no more suspicious than, where the rule names some; any word of a person on the photo overrides
    that. ``asked``: an earlier photo already showed too little of the same places.
    """
    scored = judgement.outcome is Outcome.SCORED
    judged = any(voice.judged for voice in standing.voices) if standing.voices else scored
    found = {finding for voice in standing.voices for finding in voice.findings}
    if not found and not standing.ruled:
        found = {TrueFinding(f.kind, f.place) for f in judgement.findings}
    stand = _stand(judgement.triage, standing, judged)
    if nothing_said(judgement.triage, standing):
        if judgement.in_part and not asked:
            # Whoever looks at this photo cannot see the rest of the coupler either.
            stand, judged = Stand.IN_PART, False
        elif before:
            stand = Stand.AS_BEFORE
    unseen = stand in (Stand.CLEAR, Stand.AS_BEFORE)
    waits = stand in (Stand.SUSPECTED, Stand.DOUBTED) or (unseen and blind_audit)
    return State(
        stand=stand,
        judged=judged,
        reason=Reason.HIDDEN if stand is Stand.IN_PART else None if judged else judgement.reason,
        findings=tuple(sorted(found, key=lambda f: (f.kind.value, f.place.value))),
        queued=standing.disputed or waits,
        before=before if stand is Stand.AS_BEFORE else (),
        unseen=() if standing.voices else judgement.unseen,
    )


def nothing_said(triage: Triage | None, standing: Standing) -> bool:
    """Whether the look at a photo may be spared: unsure, and nobody has said or asked anything."""
    return triage is Triage.UNSURE and not standing.voices and not standing.disputed


def _stand(triage: Triage | None, standing: Standing, judged: bool) -> Stand:
    damaged = any(voice.findings for voice in standing.voices)
    if standing.ruled:
        return Stand.DAMAGED if damaged else Stand.SEEN_INTACT
    if damaged:
        return Stand.DISPUTED
    if triage is Triage.FLAG:
        return Stand.SUSPECTED
    if triage is Triage.UNSURE or (standing.disputed and judged):
        return Stand.DOUBTED
    return Stand.CLEAR if triage is Triage.CLEAR and not standing.voices else Stand.NOT_TOLD
