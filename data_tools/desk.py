"""Where one upload is worked through: each file to a kept photo, a waiting one, or one set aside."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from weakref import WeakKeyDictionary

from sqlalchemy.orm import Session

from data_tools.access import Actor
from data_tools.answers import worded
from data_tools.archives import Upload
from data_tools.intake import (
    Arrival,
    Kept,
    Target,
    find_photo,
    keep_photo,
    keep_rejected,
    keep_waiting,
)
from data_tools.model_side import Judge, judging_side
from data_tools.one_core import judge_on_cores, on_one_core
from data_tools.records import IngestedFile, IngestStatus, PhotoRecord
from data_tools.unit_labels import unit_from_file_name
from data_tools.waiting import WaitingEvent, set_aside_before
from data_tools.which_coupler import SiteCouplers, Unknown
from data_tools.workspace import Workspace
from model.errors import BadRequestError, ConflictError, NotFoundError, PhotoError, StorageError
from model.judgement import Judgement
from model.photo import Photo, open_photo
from model.vocabulary import Reason

ONE_DAY = timedelta(days=1)

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Ready:
    """A photo whose original is kept and whose coupler is known: it only needs its verdict."""

    arrival: Arrival
    photo: Photo
    target: Target


class Desk:
    """Who sends, to which site, and the units that are known there.

    Raises:
        NotFoundError: no such site, or the given unit or position does not exist.
        BadRequestError: the given unit is at another site.
        ConflictError: the site is closed.
    """

    def __init__(
        self,
        ws: Workspace,
        actor: Actor,
        site_key: str,
        at: datetime,
        *,
        unit_key: str | None = None,
        position: str | None = None,
    ) -> None:
        self.ws, self.actor, self.at = ws, actor, at
        self.couplers = SiteCouplers(ws, site_key, unit_key, position)
        self.site_key = self.couplers.site_key
        self.judge = ws.classifier()
        self._aside: WeakKeyDictionary[Callable[[], bytes], str] = WeakKeyDictionary()

    def take_in(self, uploads: Sequence[Upload]) -> list[IngestedFile]:
        """Work through a few files together, so that the model can judge them in one batch."""
        received = [self._receive(upload) for upload in uploads]
        ready = [item for item in received if isinstance(item, Ready)]
        verdicts = iter(judged(self.judge, [item.photo for item in ready]))
        return [self._finish(item, next(verdicts)) if isinstance(item, Ready) else item for item in received]

    def _receive(self, upload: Upload) -> IngestedFile | Ready:
        try:
            if upload.read is None:
                return self._reject(upload.name, upload.problem, upload.kept)
            data = upload.read()
            sha256 = hashlib.sha256(data).hexdigest()
            arrival = Arrival(upload.name, sha256, self.actor, self.at, self.site_key)
            with self.ws.read() as session:
                answer = self._here_before(session, upload.name, sha256)
            if answer is None:
                return self._check(arrival, data)
            self.ws.photos.put(data)  # heals an original that was lost or damaged on the disk
            return answer
        except (StorageError, BadRequestError) as error:
            return IngestedFile(upload.name, IngestStatus.NOT_RECEIVED, str(error))

    def _here_before(self, session: Session, name: str, sha256: str) -> IngestedFile | None:
        """Answer for content that is here: a photo of a unit, or one that somebody set aside."""
        known = find_photo(session, sha256)
        if known is not None:
            return self._again(_known(name, known))
        aside = set_aside_before(session, sha256)
        return _still_aside(name, aside) if aside else None

    def _again(self, file: IngestedFile) -> IngestedFile:
        """Say how a photo that is sent again, now as one of another coupler, gets there."""
        meant = self.couplers.given or unit_from_file_name(file.file_name, self.couplers.known)
        if meant is None or file.photo is None:
            return file
        if meant.unit_key != file.photo.unit_key:
            shows = meant.unit_key
        elif self.couplers.position_given and meant.position != file.photo.position:
            shows = f"coupler {meant.position}"
        else:
            return file
        move = f"If it shows {shows}, a technician moves it (Units screen or `rounds refile`)."
        return worded(replace(file, note=move))

    def _check(self, arrival: Arrival, data: bytes) -> IngestedFile | Ready:
        try:
            photo = open_photo(data, max_side=judging_side(self.judge))
        except PhotoError as error:
            return self._reject(arrival.file_name, str(error), lambda: data)
        self.ws.photos.put(data)
        shown = self.couplers.shown_in(photo, arrival.file_name, data)
        if isinstance(shown, Unknown):
            return self._wait(arrival, shown.why, shown.offered)
        return Ready(arrival, photo, shown)

    def _reject(self, name: str, why: str, kept: Callable[[], bytes] | None) -> IngestedFile:
        if kept is None:
            return IngestedFile(name, IngestStatus.NOT_RECEIVED, why, reason=Reason.UNREADABLE)
        sha256 = self._aside.get(kept)  # a zip is kept whole for each of its files that cannot be had
        if sha256 is None:
            sha256 = self._aside[kept] = self.ws.rejected.put(kept())
        keep_rejected(self.ws, Arrival(name, sha256, self.actor, self.at, self.site_key), why)
        return IngestedFile(name, IngestStatus.REJECTED, why, reason=Reason.UNREADABLE)

    def _wait(self, arrival: Arrival, why: str, offered: Sequence[tuple[str, str]] = ()) -> IngestedFile:
        waiting_id = keep_waiting(self.ws, arrival, why, offered)
        if waiting_id is None:
            with self.ws.read() as session:
                known = find_photo(session, arrival.sha256)
            if known is not None:
                return _known(arrival.file_name, known)
        return IngestedFile(arrival.file_name, IngestStatus.NEEDS_UNIT, why, waiting_id=waiting_id)

    def _finish(self, ready: Ready, judgement: Judgement | None) -> IngestedFile:
        arrival = ready.arrival
        try:
            if judgement is None:
                meant = (ready.target.unit_key, ready.target.position)
                return self._wait(
                    arrival, "The model failed on it. Kept: name its unit to try again.", [meant]
                )
            try:
                kept = keep_photo(self.ws, arrival, ready.target, ready.photo, judgement)
            except (NotFoundError, ConflictError) as error:
                return self._wait(arrival, f"{error} The photo is kept.")
        except StorageError as error:
            return IngestedFile(arrival.file_name, IngestStatus.NOT_RECEIVED, str(error))
        return told(arrival.file_name, kept, ready.target)


def judged(judge: Judge, photos: list[Photo]) -> list[Judgement | None]:
    """Judge all at once; where that fails, one by one, so that one bad photo costs only itself."""
    try:
        return list(judge_on_cores(judge, photos))
    except Exception:
        log.exception("judging a batch of %d failed; going one by one", len(photos))
    return [judged_alone(judge, photo) for photo in photos]


def judged_alone(judge: Judge, photo: Photo) -> Judgement | None:
    """Judge one photo; ``None`` where the model fails on it."""
    try:
        return on_one_core(partial(judge.judge, photo))
    except Exception:
        log.exception("judging %s failed", photo.sha256)
        return None


def _known(name: str, kept: Kept) -> IngestedFile:
    photo = kept.photo
    already = f"Already here: a photo of unit {photo.unit_key}, received on {photo.received_at:%Y-%m-%d}."
    reason = kept.state.reason if kept.state is not None else kept.verdict.judgement.reason
    file = IngestedFile(name, IngestStatus.KNOWN, "", photo, kept.verdict, reason, state=kept.state)
    return worded(replace(file, already=already))


def _still_aside(name: str, event: WaitingEvent) -> IngestedFile:
    message = (
        f"Set aside by {event.done_by} on {event.done_at:%Y-%m-%d}: {event.reason}. "
        "If it shows a coupler, bring it back (Send screen or `rounds bring-back`)."
    )
    return IngestedFile(name, IngestStatus.SET_ASIDE, message, waiting_id=event.waiting_id)


def told(name: str, kept: Kept, target: Target) -> IngestedFile:
    """Return what to say of a photo that was just kept, or, sent by two at once, was there already."""
    if kept.known:
        return _known(name, kept)
    judgement = kept.verdict.judgement
    file = IngestedFile(name, IngestStatus.STORED, "", kept.photo, kept.verdict, judgement.reason)
    notes = [target.note, clock_words(kept.photo)]
    if kept.overtaken:
        notes.append("By its time it is of the coupler that was replaced: photograph the one there now.")
    return worded(replace(file, note=" ".join(note for note in notes if note)))


def clock_words(photo: PhotoRecord) -> str:
    """Say when a photo counts, where that is not about when it came in or not what its camera says."""
    taken, counts = photo.taken_at, photo.seen_at or photo.received_at
    if taken is None or abs(photo.received_at - taken) <= ONE_DAY:
        return ""
    says = f"Its camera says {taken:%Y-%m-%d}"
    if counts == photo.received_at:
        old = "If it is that old, photograph the coupler again; if not, set" if taken < counts else "Set"
        return (
            f"{says}, which is not believed: it counts from when it came in. {old} the clock of the camera."
        )
    return (
        f"{says}: it counts for that day, and for the coupler that was there then. Where that is wrong, set "
        "the clock of the camera and photograph the coupler again."
    )
