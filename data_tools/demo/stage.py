"""The rounds of the story: which coupler hangs where, what it looks like, and its photos sent in."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import datetime, timedelta

import numpy as np

from data_tools.conditions import observe, settle_observation
from data_tools.demo.people import Truth
from data_tools.demo.samples import SampleBook, Shown, common_place
from data_tools.demo.story import FIRST_TECHNICIAN, Onset, Seen, SitePlan, onsets_until, walker_of
from data_tools.ingest import UploadSource, ingest
from data_tools.records import IngestedFile, IngestStatus, Unit, UnitStatus
from data_tools.sites import list_units
from data_tools.workspace import Workspace
from model.manifest import LabelledPhoto
from model.vocabulary import FindingKind, Outcome

TruthOf = Callable[[int], Truth | None]
RETAKEN = 0.8
_SALT = 20


def clock(monday: datetime, day: int) -> datetime:
    """Return two in the afternoon of the given day (0 Monday) of a week."""
    return monday + timedelta(days=day, hours=14)


class Stage:
    """Takes the photos of each round; remembers what they truly show, for the technicians."""

    def __init__(self, ws: Workspace, book: SampleBook, first_monday: datetime) -> None:
        self.ws, self.book, self.first_monday, self.photos = ws, book, first_monday, 0
        self._truths: dict[int, Truth] = {}
        self._looks: dict[tuple[int, Onset | None], Shown] = {}
        self._used: Counter[str] = Counter()
        self._threads = {kind: common_place(book.damaged("type1", kind), kind) for kind in FindingKind}

    def truth_of(self, photo_id: int) -> Truth | None:
        """Return what a photo truly shows; ``None`` where nobody could tell from it."""
        return self._truths.get(photo_id)

    def walk(self, site: SitePlan, week: int, start: datetime, sent_at: datetime) -> None:
        """Walk one round: photograph most couplers of the site, send them in, take the bad ones again."""
        random = np.random.default_rng([_SALT, week, site.weekday])
        shots = [
            self._shoot(unit, week, start + timedelta(minutes=4 * number), random.uniform() < site.unusable)
            for number, unit in enumerate(list_units(self.ws, site.walker, site.key))
            if unit.status is UnitStatus.IN_SERVICE and random.uniform() < site.walked
        ]
        failed = self._send(site, shots, sent_at)
        again = [
            self._shoot(unit, week, sent_at + timedelta(minutes=2 * number), False, attempt=1)
            for number, unit in enumerate(failed)
            if random.uniform() < RETAKEN
        ]
        self._send(site, again, sent_at + timedelta(hours=1))

    def observe(self, seen: Seen, at: datetime) -> None:
        """Record what staff noticed, and how it was settled the day after."""
        event = observe(
            self.ws, walker_of(seen.unit), seen.unit, seen.what, seen.note, blinks=seen.blinks, now=at
        )
        if seen.settled:
            day_after = at + timedelta(days=1)
            settle_observation(self.ws, FIRST_TECHNICIAN, event.id, seen.settled, now=day_after)

    def send_strays(self, site: SitePlan, at: datetime) -> None:
        """Send what comes some day: a photo that names no unit, and a file that is no photo."""
        photo = self.book.intact("type1")[0].photos[0]
        strays = [
            UploadSource("IMG_0417.jpg", self.book.variant(photo, (_SALT, 999), at)),
            UploadSource("round notes.jpg", b"Bay 3 blocked by a parked car. Come back tomorrow."),
        ]
        ingest(self.ws, site.walker, strays, site.key, now=at)

    def _send(
        self, site: SitePlan, shots: list[tuple[Unit, UploadSource, Truth | None]], at: datetime
    ) -> list[Unit]:
        """Send photos in; return the units whose photo could not be judged."""
        if not shots:
            return []
        report = ingest(self.ws, site.walker, [source for _, source, _ in shots], site.key, now=at)
        failed = []
        for (unit, _, truth), file in zip(shots, report.files, strict=True):
            if file.status is IngestStatus.STORED and file.photo is not None:
                self.photos += 1
                if truth is not None:
                    self._truths[file.photo.id] = truth
            if not _judged(file):
                failed.append(unit)
        return failed

    def _shoot(
        self, unit: Unit, week: int, at: datetime, spoilt: bool, attempt: int = 0
    ) -> tuple[Unit, UploadSource, Truth | None]:
        photo, truth = self._view(unit, week, attempt, spoilt)
        number = int(unit.key[-2:]) + 100 * ord(unit.key[0])
        data = self.book.variant(photo, (_SALT, week, number, attempt), at)
        name = f"{unit.key}_{at:%Y%m%d}{'_again' if attempt else ''}.jpg"
        return unit, UploadSource(name, data), truth

    def _view(self, unit: Unit, week: int, attempt: int, spoilt: bool) -> tuple[LabelledPhoto, Truth | None]:
        unusable = self.book.unusable()
        if spoilt and unusable:
            return unusable[(week * 7 + int(unit.key[-2:])) % len(unusable)], None
        coupler = unit.couplers[0]
        shown = self._look(unit, self._onset(unit, week))
        # Another of the coupler's photos each week; the retake differs from the first try.
        return shown.photos[(week + coupler.id + attempt) % len(shown.photos)], shown.truth

    def _onset(self, unit: Unit, week: int) -> Onset | None:
        """What has broken on the coupler that hangs there now: not what broke before it was fitted."""
        fitted = unit.couplers[0].installed_on
        broken = [
            onset
            for onset in onsets_until(unit.key, week)
            if (self.first_monday + timedelta(weeks=onset.week)).date() >= fitted
        ]
        return broken[-1] if broken else None

    def _look(self, unit: Unit, onset: Onset | None) -> Shown:
        """The sample coupler that plays this one: one while it is whole, one from its damage on."""
        key = (unit.couplers[0].id, onset)
        if key not in self._looks:
            self._looks[key] = self._cast(unit.couplers[0].family, onset)
        return self._looks[key]

    def _cast(self, family_key: str, onset: Onset | None) -> Shown:
        if onset is None:
            return self._least_used(self.book.intact(family_key) or self.book.intact("type1"))
        candidates = self.book.damaged(family_key, onset.kind)
        if onset.thread:
            place = self._threads[onset.kind]
            candidates = [c for c in candidates if (onset.kind, place) in c.truth] or candidates
        return self._least_used(candidates or self.book.intact(family_key))

    def _least_used(self, candidates: list[Shown]) -> Shown:
        chosen = min(candidates, key=lambda shown: (self._used[shown.name], shown.name))
        self._used[chosen.name] += 1
        return chosen


def _judged(file: IngestedFile) -> bool:
    return file.verdict is not None and file.verdict.judgement.outcome is Outcome.SCORED
