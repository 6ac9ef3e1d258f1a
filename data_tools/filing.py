"""When a photo came to the coupler that it is filed under, and whether a person put it there: as SQL.

What somebody ruled, or returned to service, before a photo was known here cannot have been about it."""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, Select, and_, select
from sqlalchemy.orm import aliased

from data_tools.database.schema import CouplerRow, EventRow, PhotoRow, WaitingRow
from data_tools.records import EventKind

_Photo = type[PhotoRow]


def moved_by_hand(photo: _Photo, *conditions: Any, move: type[EventRow]) -> ColumnElement[bool]:
    """Whether a person moved ``photo`` in an event ``move`` that meets the conditions; what entering a swap
    moves by itself does not count."""
    swap = aliased(EventRow)
    by_rule = _asking(swap).where(
        swap.unit_id == move.unit_id,
        swap.kind == EventKind.REPLACED,
        swap.coupler_id == move.coupler_id,
        swap.new_coupler_id == move.new_coupler_id,
        swap.done_at == move.done_at,
    )
    query = _asking(move).where(move.photo_id == photo.id, move.kind == EventKind.REFILED)
    return query.where(~by_rule.exists(), *conditions).exists()


def known_at(photo: _Photo, moment: Any) -> ColumnElement[bool]:
    """Whether ``photo`` was filed where it is at ``moment`` (a column of times)."""
    move, waiting = aliased(EventRow), aliased(WaitingRow)
    named_later = _asking(waiting).where(waiting.photo_id == photo.id, waiting.settled_at >= moment)
    return and_(
        photo.received_at <= moment,
        ~named_later.exists(),
        ~moved_by_hand(photo, move.done_at >= moment, move=move),
    )


def left_by_swap(photo: _Photo) -> ColumnElement[bool]:
    """Whether ``photo`` counts since its coupler was replaced, and stayed with it because a person had filed
    it there before anybody knew of the swap: it may show the coupler that is there now."""
    swap, new = aliased(EventRow), aliased(CouplerRow)
    ever, move, later = aliased(EventRow), aliased(EventRow), aliased(EventRow)
    query = (
        _asking(swap, new)
        .join(new, new.id == swap.new_coupler_id)
        .where(swap.kind == EventKind.REPLACED, swap.coupler_id == photo.coupler_id)
        .where(new.put_on_at <= photo.seen_at)
        .where(moved_by_hand(photo, move.done_at < swap.done_at, move=move))
        .where(~moved_by_hand(photo, later.done_at >= swap.done_at, move=later))
    )
    return and_(moved_by_hand(photo, move=ever), query.exists())  # few were: they are found first


def _asking(*tables: Any) -> Select[int]:
    """Select from ``tables`` alone: all else belongs to the queries around it, however many there are."""
    return select(tables[0].id).correlate_except(*tables)
