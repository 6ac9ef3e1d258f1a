"""What lies on a technician's desk: the photos still to look at and the statement being made about the first.

Plain state without a screen, so that the rules of the keys can be tested alone:

- a statement that agrees with the model is saved at once;
- naming a damage takes its kind and its place, in either order;
- a statement that drops all damage, or a melted housing, that the model found must be made twice, because a
  missed melted housing is the worst thing that can happen here;
- what came meanwhile and is more urgent comes first, and what others ruled on leaves the desk, but never the
  photo of which something is entered.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from data_tools.queueing import QueueMark, QueueNews
from data_tools.records import DecisionKind, DecisionRecord, QueueItem, TrueFinding
from data_tools.standing import fold
from model.families import family
from model.vocabulary import FindingKind, Outcome, Place, Triage
from review_app.standing import findings_of


@dataclass(frozen=True)
class Statement:
    """What the technician says of the photo, ready to be stored."""

    item: QueueItem
    kind: DecisionKind
    findings: tuple[TrueFinding, ...]
    seconds: float
    evidence_shown: bool


@dataclass
class Desk:
    """The state of one technician's review in one tab."""

    items: list[QueueItem] = field(default_factory=list)
    waiting: int = 0
    first_look: bool = True
    clock: Callable[[], float] = time.monotonic
    shown: bool = False
    looked: bool = False
    several: bool = False
    kind: FindingKind | None = None
    place: Place | None = None
    listed: tuple[TrueFinding, ...] = ()
    asked_twice: tuple[TrueFinding, ...] | None = None
    started: float | None = None
    last: tuple[QueueItem, DecisionRecord] | None = None
    mark: QueueMark = QueueMark(0, 0)
    """What was in the store when the photos were taken from the queue."""
    up_to_date: bool = False
    """Whether the store was asked about the photo on top since it is there."""
    put_back: bool = False
    later: set[int] = field(default_factory=set)
    chosen: bool = False
    """Whether the photos were chosen to learn from: in an order of their own, whether queued or not."""

    @property
    def current(self) -> QueueItem | None:
        """The photo being looked at."""
        return self.items[0] if self.items else None

    @property
    def ahead(self) -> QueueItem | None:
        """The photo after it."""
        return self.items[1] if len(self.items) > 1 else None

    @property
    def evidence_visible(self) -> bool:
        """Whether the model's findings are on the screen."""
        return self.shown or not self.first_look

    @property
    def touched(self) -> bool:
        """Whether something is entered of the current photo, or was seen that the first look is without."""
        named = self.kind or self.place or self.listed or self.asked_twice is not None
        return bool(named or self.shown or self.looked or self.several or self.put_back)

    @property
    def least_urgent(self) -> float:
        """The lowest priority here; what is not above it can wait until the desk is empty."""
        return min([item.priority for item in self.items if self._ranked(item)], default=-1.0)

    def fill(self, items: list[QueueItem], waiting: int, mark: QueueMark) -> None:
        """Lay photos fresh from the queue on an empty desk."""
        self.items, self.waiting, self.mark = items, waiting, mark
        self.later.clear()
        self.chosen, self.up_to_date = False, True

    def of_concern(self, news: QueueNews) -> QueueNews:
        """Return what of ``news`` counts here: chosen photos keep their order, and only those that somebody
        ruled on go."""
        if not self.chosen:
            return news
        ruled = {photo_id: said for photo_id, said in news.gone.items() if fold(said).decision is not None}
        return replace(news, gone=ruled, held=(), fresh=())

    def catch_up(self, news: QueueNews, *, keep: bool) -> tuple[QueueItem, ...]:
        """Put away what waits no longer, put what came and is more urgent where it belongs, and return what
        was put away. ``keep``: the current photo stays on top, whatever came of it."""
        before = [item.photo.id for item in self.items[:1]]
        kept = before if keep else []
        away = news.gone.keys() - kept
        gone = tuple(item for item in self.items if item.photo.id in away)
        self.waiting += len(news.fresh) - len(gone)
        anew, moved = {item.photo.id: item for item in news.held}, list(news.fresh)
        items, self.items = self.items, []
        for item in (item for item in items if item.photo.id not in away):
            now = anew.get(item.photo.id, item)
            stays = item.photo.id in kept or now.priority == item.priority or not self._ranked(now)
            (self.items if stays else moved).append(now)
        for item in sorted(moved, key=lambda item: -item.priority):
            ahead = [at for at, other in enumerate(self.items, 1) if self._before(other, item)]
            self.items.insert(max([len(kept), *ahead]), item)
        self.mark = news.mark
        if [item.photo.id for item in self.items[:1]] != before:
            self._clean()
        self.up_to_date = True
        return gone

    def _before(self, other: QueueItem, item: QueueItem) -> bool:
        return self._ranked(other) and other.priority >= item.priority

    def _ranked(self, item: QueueItem) -> bool:
        """Whether a photo lies where its urgency says: neither a blind audit nor one put off."""
        audit = item.triage is Triage.CLEAR and not (item.conflict or item.second_opinion)
        return not audit and item.photo.id not in self.later

    def begin(self) -> None:
        """Start the clock of the current photo, once."""
        if self.started is None:
            self.started = self.clock()

    def say_kind(self, kind: FindingKind) -> Statement | None:
        """Name a kind of damage; the latch has only one place."""
        self.kind = kind
        if kind is FindingKind.MISSING_LATCH:
            self.place = Place.LATCH
        elif self.place is Place.LATCH:
            self.place = None
        return self._complete()

    def say_place(self, place: Place) -> Statement | None:
        """Name a place; the latch can only be missing."""
        self.place = place
        if place is Place.LATCH:
            self.kind = FindingKind.MISSING_LATCH
        elif self.kind is FindingKind.MISSING_LATCH:
            self.kind = None
        return self._complete()

    def say_none(self) -> Statement | None:
        """Say that no damage can be seen."""
        return self._statement(())

    def say_listed(self) -> Statement | None:
        """Say that exactly the listed damages can be seen."""
        return self._statement(self.listed)

    def agree(self) -> Statement | None:
        """Agree with the model; possible only once its findings are on the screen."""
        item = self.current
        if item is None or not self.evidence_visible:
            return None
        if item.verdict.judgement.outcome is Outcome.CANNOT_JUDGE:
            return self.other(DecisionKind.CONFIRMED)
        return self._statement(findings_of(item.verdict.judgement))

    def other(self, kind: DecisionKind) -> Statement | None:
        """Say something that names no finding: cannot tell, or a second opinion is wanted."""
        item = self.current
        if item is None:
            return None
        return Statement(item, kind, (), self._seconds(), self.evidence_visible)

    def next(self) -> None:
        """Put the current photo away and take the next."""
        self.items = self.items[1:]
        self.waiting = max(self.waiting - 1, len(self.items))
        self._clean()

    def skip(self) -> None:
        """Put the current photo to the end."""
        self.later.update(item.photo.id for item in self.items[:1])
        self.items = [*self.items[1:], *self.items[:1]]
        self._clean()

    def back(self, item: QueueItem) -> None:
        """Put a photo back on top."""
        self.items = [item, *(other for other in self.items if other.photo.id != item.photo.id)]
        self.waiting = max(self.waiting + 1, len(self.items))
        self.last = None
        self._clean()
        self.put_back = True

    def forget_statement(self) -> None:
        """Drop what was said so far of the current photo."""
        self.kind = self.place = self.asked_twice = None
        self.listed = ()

    def _complete(self) -> Statement | None:
        item = self.current
        if item is None or self.kind is None or self.place is None:
            return None
        if self.place not in family(family_key(item)).places:
            self.place = None
            return None
        finding = TrueFinding(self.kind, self.place)
        self.kind = self.place = None
        if self.several:
            kept = tuple(f for f in self.listed if f != finding)
            self.listed = kept if len(kept) < len(self.listed) else (*self.listed, finding)
            return None
        return self._statement((finding,))

    def _statement(self, findings: tuple[TrueFinding, ...]) -> Statement | None:
        item = self.current
        if item is None:
            return None
        said, model = frozenset(findings), frozenset(findings_of(item.verdict.judgement))
        # What somebody listed is not lost by one key either.
        if self._drops_damage(said, model | frozenset(self.listed)) and self.asked_twice != findings:
            self.asked_twice, self.shown = findings, True
            return None
        judged = item.verdict.judgement.outcome is Outcome.SCORED
        kind = DecisionKind.CONFIRMED if judged and said == model else DecisionKind.CORRECTED
        return Statement(item, kind, findings, self._seconds(), self.evidence_visible)

    @staticmethod
    def _drops_damage(said: frozenset[TrueFinding], known: frozenset[TrueFinding]) -> bool:
        melted = FindingKind.HEAT_MELTED_HOUSING
        return bool(known) and (
            not said or (any(f.kind is melted for f in known) and not any(f.kind is melted for f in said))
        )

    def _seconds(self) -> float:
        return 0.0 if self.started is None else round(self.clock() - self.started, 2)

    def _clean(self) -> None:
        self.shown = self.several = self.looked = self.put_back = self.up_to_date = False
        self.started = None
        self.forget_statement()


def adds_nothing(statement: Statement, decisions: Sequence[DecisionRecord], comment: str) -> bool:
    """Whether what people said of the photo already leaves nothing for ``statement`` to add: their ruling is
    the same, or ``statement`` cannot tell. What differs, a comment and the wish for a second opinion are
    never dropped."""
    standing = fold(decisions)
    if not standing.ruled or standing.decision is None or comment.strip():
        return False
    if statement.kind is DecisionKind.SECOND_OPINION:
        return False
    scored = statement.item.verdict.judgement.outcome is Outcome.SCORED
    told = statement.kind is DecisionKind.CORRECTED or (statement.kind is DecisionKind.CONFIRMED and scored)
    return not told or frozenset(statement.findings) == frozenset(standing.decision.findings)


def family_key(item: QueueItem) -> str:
    """Return the connector family of the photo's own coupler; its places are those to choose from."""
    return item.photo.family
