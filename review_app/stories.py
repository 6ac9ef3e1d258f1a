"""A unit's timeline regrouped as people read it: one story for each photo, and the events between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from data_tools.history import Timeline
from data_tools.records import DecisionRecord, EventRecord, PhotoRecord, TrueFinding, VerdictRecord
from data_tools.standing import State, fold, verdict_that_stands
from data_tools.waiting import WaitingEvent
from model.vocabulary import GRAVITY, FindingKind, Outcome, Place
from review_app.standing import STANDING_OF, effective
from review_app.wording import Standing


@dataclass(frozen=True)
class PhotoStory:
    """One photo with everything said about it, oldest first, and what stands; ``waited``: what was said
    before it had its unit."""

    photo: PhotoRecord
    verdicts: tuple[VerdictRecord, ...]
    decisions: tuple[DecisionRecord, ...]
    state: State | None
    waited: tuple[WaitingEvent, ...] = ()

    @property
    def at(self) -> datetime:
        """When the photo counts."""
        return moment_of(self.photo)

    @property
    def standing(self) -> Standing:
        """Where the photo stands."""
        return STANDING_OF[self.state.stand] if self.state else Standing.LOOK

    @property
    def verdict(self) -> VerdictRecord | None:
        """The verdict that stands: not always the newest."""
        said = [verdict.judgement for verdict in self.verdicts]
        return self.verdicts[verdict_that_stands(said, fold(self.decisions))] if said else None

    @property
    def findings(self) -> tuple[TrueFinding, ...]:
        """What stands: a person's findings, or what is suspected until somebody rules."""
        return self.state.findings if self.state else ()

    def said_of(self, finding: TrueFinding) -> str:
        """Return what everybody whose word counts says of ``finding``; nothing where nobody could tell."""
        said = [voice for voice in fold(self.decisions).voices if voice.judged]
        return "; ".join(f"{v.decided_by}: {'yes' if finding in v.findings else 'no'}" for v in said)


@dataclass(frozen=True)
class GrowthPoint:
    """The model's probability of one damage at one place in one photo."""

    at: datetime
    kind: FindingKind
    place: Place
    probability: float


def moment_of(photo: PhotoRecord) -> datetime:
    """Return when a photo counts: when it was taken where that is believable, else when it came in."""
    return photo.seen_at or photo.taken_at or photo.received_at


def photo_stories(timeline: Timeline, coupler_id: int | None = None) -> list[PhotoStory]:
    """Return the photos of a timeline (of one coupler, where given), oldest first."""
    verdicts: dict[int, list[VerdictRecord]] = {}
    decisions: dict[int, list[DecisionRecord]] = {}
    waited: dict[int | None, list[WaitingEvent]] = {}
    for entry in timeline.entries:
        if entry.verdict:
            verdicts.setdefault(entry.verdict.photo_id, []).append(entry.verdict)
        if entry.decision:
            decisions.setdefault(entry.decision.photo_id, []).append(entry.decision)
        if entry.waited:
            waited.setdefault(entry.waited.photo_id, []).append(entry.waited)
    photos = [(entry.photo, entry.state) for entry in timeline.entries if entry.photo]
    stories = [
        PhotoStory(
            photo,
            tuple(verdicts.get(photo.id, ())),
            tuple(decisions.get(photo.id, ())),
            state,
            tuple(waited.get(photo.id, ())),
        )
        for photo, state in photos
        if coupler_id is None or photo.coupler_id == coupler_id
    ]
    return sorted(stories, key=lambda story: story.at)


def events_of(timeline: Timeline, coupler_id: int | None = None) -> list[EventRecord]:
    """Return the events of a unit (of one coupler and of the unit itself, where given), oldest first."""
    events = [entry.event for entry in timeline.entries if entry.event]
    return [
        event
        for event in events
        if coupler_id is None
        or coupler_id in (event.coupler_id, event.new_coupler_id)
        or event.coupler_id is None
    ]


def damaged_places(stories: Sequence[PhotoStory], *, stands_out: float = 0.5) -> list[TrueFinding]:
    """Return the damages that a person stated in any photo or the model ever gave ``stands_out`` (0..1).

    The gravest kind comes first, and those of people before the model's.
    """
    people = {f for s in stories for d in effective(s.decisions) for f in d.findings}
    model = {TrueFinding(point.kind, point.place) for point in growth(stories, stands_out=stands_out)}
    places = list(Place)

    def rank(finding: TrueFinding) -> tuple[bool, int, int]:
        return finding not in people, GRAVITY.index(finding.kind), places.index(finding.place)

    return sorted(people | model, key=rank)


def probability_at(story: PhotoStory, finding: TrueFinding) -> float | None:
    """Return the model's probability (0..1) of ``finding`` in a photo; None where it could not judge."""
    if not story.verdicts or story.verdicts[-1].judgement.outcome is not Outcome.SCORED:
        return None
    return story.verdicts[-1].judgement.place_probabilities.get(finding.place, {}).get(finding.kind)


def growth(stories: Sequence[PhotoStory], *, stands_out: float = 0.5) -> list[GrowthPoint]:
    """Return how each damage grew, for the places where it ever reached ``stands_out`` (0..1)."""
    points = []
    for story in stories:
        if not story.verdicts or story.verdicts[-1].judgement.outcome is not Outcome.SCORED:
            continue
        for place, kinds in story.verdicts[-1].judgement.place_probabilities.items():
            points += [GrowthPoint(story.at, kind, place, probability) for kind, probability in kinds.items()]
    peaks: dict[tuple[FindingKind, Place], float] = {}
    for point in points:
        peaks[point.kind, point.place] = max(point.probability, peaks.get((point.kind, point.place), 0.0))
    return [point for point in points if peaks[point.kind, point.place] >= stands_out]
