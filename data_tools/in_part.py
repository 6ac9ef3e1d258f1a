"""Photos that show too little of a coupler: once another photo is asked for, the second time a person looks.

What is covered nobody sees in the photo either, so that whoever took it is asked for another. What is out of
view again may be gone instead of covered, or cannot be shown: then a technician looks, unless a later photo
that shows the whole coupler is clear."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from data_tools.database.schema import PhotoRow, PhotoStateRow
from data_tools.standing import Stand
from model.judgement import Judgement
from model.vocabulary import Place, Triage

ASKED_WITHIN = timedelta(days=21)
"""Three rounds: what was out of view so recently has been asked for."""
NEW_TRY = timedelta(minutes=1)
"""Photos taken in one go are one try."""


def asked_before(session: Session, doubts: Sequence[tuple[PhotoRow, Judgement]]) -> set[int]:
    """Return the numbers of those of ``doubts`` (photos with the verdict that stands) that show too little of
    a place which an earlier photo of their coupler had not shown either, and which no later one shows."""
    photos = [(photo, set(judgement.unseen)) for photo, judgement in doubts if judgement.in_part]
    if not photos:
        return set()
    query = (
        select(PhotoRow.coupler_id, PhotoRow.seen_at, PhotoStateRow.stand, PhotoStateRow.unseen)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .where(PhotoRow.coupler_id.in_({photo.coupler_id for photo, _ in photos}))
        .where(PhotoRow.seen_at >= min(photo.seen_at for photo, _ in photos) - ASKED_WITHIN)
        .where(PhotoStateRow.triage.in_((Triage.UNSURE, Triage.CLEAR)), PhotoStateRow.decision_id.is_(None))
    )
    earlier, shown = defaultdict(list), defaultdict(list)
    for coupler_id, seen_at, stand, unseen in session.execute(query):
        earlier[coupler_id].append((seen_at, set(map(Place, unseen))))
        if stand is Stand.CLEAR:  # a verdict is clear only where every place is in view
            shown[coupler_id].append(seen_at)
    return {
        photo.id
        for photo, unseen in photos
        for seen_at, other in earlier[photo.coupler_id]
        if NEW_TRY <= photo.seen_at - seen_at <= ASKED_WITHIN
        and unseen & other
        and not any(at >= photo.seen_at for at in shown[photo.coupler_id])
    }
