"""Damage does not vanish by a move, a late arrival or the entry of a swap: a person must have ruled on it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from data_tools.conditions import replace_coupler, return_to_service, take_out_of_service
from data_tools.history import timeline
from data_tools.ingest import UploadSource, assign_unit, ingest
from data_tools.open_damage import OpenDamage, open_damage
from data_tools.records import DecisionKind, IngestedFile, PhotoRecord
from data_tools.refile import refile
from data_tools.review import decide
from data_tools.sites import get_unit
from data_tools.standing import Stand
from data_tools.verify import verify
from data_tools.workspace import Workspace
from model.errors import ConflictError
from review_app.site_board import damage_words
from tests.hostile_files import phone_jpeg
from tests.test_data_tools.store_kit import CLEAR, LEAD, MELTED, TECHNICIAN, UPLOADER, upload

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)


def sent(ws: Workspace, unit: str, grey: int, at: datetime, ruled_at: datetime | None = None) -> PhotoRecord:
    """Send a photo of a unit; where asked, a technician agrees with the model."""
    seed = int(at.timestamp()) % 10_000
    (file,) = ingest(ws, UPLOADER, [upload(f"{unit}.png", grey, seed)], "north", now=at).files
    return ruled(ws, file, ruled_at)


def ruled(ws: Workspace, file: IngestedFile, at: datetime | None) -> PhotoRecord:
    """Let a technician agree with the model, where a time is given."""
    assert file.photo is not None
    assert file.verdict is not None
    if at is not None:
        decide(ws, TECHNICIAN, file.photo.id, file.verdict.id, DecisionKind.CONFIRMED, now=at)
    return file.photo


def open_of(ws: Workspace) -> list[tuple[str, int]]:
    """Return unit and photo of all open damage."""
    return [(damage.photo.unit_key, damage.photo.id) for damage in open_damage(ws, UPLOADER)]


@pytest.mark.parametrize("confirmed", [False, True])
def test_damage_moved_to_a_unit_that_was_ruled_intact_later_is_open_until_somebody_rules(
    ws: Workspace, confirmed: bool
) -> None:
    melted = sent(ws, "P3-07", MELTED, NOON, NOON + HOUR if confirmed else None)
    sent(ws, "P3-08", CLEAR, NOON + HOUR, NOON + 2 * HOUR)
    refile(ws, TECHNICIAN, melted.id, "P3-08", "wrong unit", now=NOON + 3 * HOUR)
    assert open_of(ws) == [("P3-08", melted.id)]
    sent(ws, "P3-08", CLEAR, NOON + 4 * HOUR)
    assert open_of(ws) == [("P3-08", melted.id)], "nobody has looked at that one"
    sent(ws, "P3-08", CLEAR, NOON + 5 * HOUR, NOON + 6 * HOUR)
    assert open_of(ws) == []


def test_an_intact_photo_that_is_moved_to_a_unit_hides_no_damage_there(ws: Workspace) -> None:
    melted = sent(ws, "P3-08", MELTED, NOON)
    intact = sent(ws, "P3-07", CLEAR, NOON + HOUR, NOON + 2 * HOUR)
    refile(ws, TECHNICIAN, intact.id, "P3-08", "wrong unit", now=NOON + 3 * HOUR)
    assert open_of(ws) == [("P3-08", melted.id)]


def test_a_return_to_service_before_the_move_was_not_about_it(ws: Workspace) -> None:
    melted = sent(ws, "P3-07", MELTED, NOON)
    take_out_of_service(ws, TECHNICIAN, "P3-08", "cable", now=NOON)
    return_to_service(ws, TECHNICIAN, "P3-08", "cable changed", now=NOON + HOUR)
    refile(ws, TECHNICIAN, melted.id, "P3-08", "wrong unit", now=NOON + 2 * HOUR)
    assert open_of(ws) == [("P3-08", melted.id)]
    take_out_of_service(ws, TECHNICIAN, "P3-08", "melted", now=NOON + 3 * HOUR)
    return_to_service(ws, TECHNICIAN, "P3-08", "put right", now=NOON + 4 * HOUR)
    assert open_of(ws) == []


def test_damage_that_comes_in_late_or_waited_for_its_unit_is_not_overtaken_unseen(ws: Workspace) -> None:
    sent(ws, "P3-07", CLEAR, NOON, NOON + HOUR)
    sent(ws, "P3-08", CLEAR, NOON + HOUR, NOON + 2 * HOUR)
    picture = np.full((24, 32, 3), MELTED, np.uint8)
    late = phone_jpeg(picture, taken=datetime(2026, 3, 4, 9))
    (file,) = ingest(ws, UPLOADER, [UploadSource("P3-07.jpg", late)], "north", now=NOON + 3 * HOUR).files
    assert file.photo is not None
    assert file.photo.seen_at == NOON - 4 * HOUR
    nameless = [upload("IMG_1.png", MELTED, 7)]
    (waits,) = ingest(ws, UPLOADER, nameless, "north", now=NOON).files
    assert waits.waiting_id is not None
    named = assign_unit(ws, UPLOADER, waits.waiting_id, "P3-08")
    assert named.photo is not None
    assert open_of(ws) == [("P3-07", file.photo.id), ("P3-08", named.photo.id)]


def test_what_happens_to_other_photos_opens_nothing_again(ws: Workspace) -> None:
    sent(ws, "P3-07", MELTED, NOON)
    sent(ws, "P3-07", CLEAR, NOON + HOUR, NOON + 2 * HOUR)
    other = sent(ws, "P3-08", CLEAR, NOON)
    refile(ws, TECHNICIAN, other.id, "Q1", "wrong unit", now=NOON + 3 * HOUR)
    (waits,) = ingest(ws, UPLOADER, [upload("IMG_1.png", CLEAR, 7)], "north", now=NOON).files
    assert waits.waiting_id is not None
    assign_unit(ws, UPLOADER, waits.waiting_id, "P3-08")
    replace_coupler(ws, TECHNICIAN, "Q1", "A", "PN-2", "worn", now=NOON + 4 * HOUR)
    assert open_of(ws) == []


def swapped(ws: Workspace) -> tuple[PhotoRecord, OpenDamage, str]:
    """File a melted photo by hand under P3-08, then enter a swap there as made before it was taken."""
    melted = sent(ws, "P3-07", MELTED, NOON)
    refile(ws, TECHNICIAN, melted.id, "P3-08", "wrong unit", now=NOON + HOUR)
    event = replace_coupler(
        ws, TECHNICIAN, "P3-08", "A", "PN-2", "worn", swapped_at=NOON - HOUR, now=NOON + 2 * HOUR
    )
    (damage,) = open_damage(ws, UPLOADER)
    return melted, damage, event.reason


def test_a_swap_does_not_move_what_a_person_filed_and_its_damage_stays_open(ws: Workspace) -> None:
    melted, damage, reason = swapped(ws)
    old, new = timeline(ws, LEAD, "P3-08").couplers
    assert (damage.photo.id, damage.photo.coupler_id) == (melted.id, old.id)
    assert damage.coupler_in_doubt
    assert "move it on Units" in damage_words(damage)
    assert reason.startswith("worn [Not moved")
    assert f"photo {melted.id} (P3-07.png)" in reason
    assert verify(ws, LEAD).ok
    refile(ws, TECHNICIAN, melted.id, "P3-08", "of the new one", coupler_id=new.id, now=NOON + 3 * HOUR)
    (damage,) = open_damage(ws, UPLOADER)
    assert (damage.photo.coupler_id, damage.coupler_in_doubt, damage.stand) == (
        new.id,
        False,
        Stand.SUSPECTED,
    )


def test_a_person_can_say_that_it_is_of_the_coupler_before(ws: Workspace) -> None:
    melted, damage, _ = swapped(ws)
    old = damage.photo.coupler_id
    refile(ws, TECHNICIAN, melted.id, "P3-08", "it is right", coupler_id=old, now=NOON + 3 * HOUR)
    assert open_of(ws) == []
    with pytest.raises(ConflictError, match="Nothing to do"):
        refile(ws, TECHNICIAN, melted.id, "P3-08", "again", coupler_id=old, now=NOON + 4 * HOUR)
    assert verify(ws, LEAD).ok


def test_what_a_swap_moved_by_rule_can_be_moved_by_the_next_and_keeps_what_was_ruled(ws: Workspace) -> None:
    sent(ws, "P3-08", MELTED, NOON)
    sent(ws, "P3-08", CLEAR, NOON + HOUR, NOON + 2 * HOUR)
    for number in (2, 3):
        back = NOON - timedelta(hours=4 - number)
        at = NOON + timedelta(hours=number + 1)
        replace_coupler(ws, TECHNICIAN, "P3-08", "A", f"PN-{number}", "worn", swapped_at=back, now=at)
    (now_on,) = get_unit(ws, LEAD, "P3-08").couplers
    photos = [entry.photo for entry in timeline(ws, LEAD, "P3-08").entries if entry.photo]
    assert {photo.coupler_id for photo in photos} == {now_on.id}
    assert open_of(ws) == []


def test_a_move_that_would_hide_damage_names_its_coupler(ws: Workspace) -> None:
    melted = sent(ws, "P3-07", MELTED, NOON)
    intact = sent(ws, "P3-07", CLEAR, NOON + HOUR)
    replace_coupler(ws, TECHNICIAN, "P3-08", "A", "PN-2", "worn", now=NOON + 2 * HOUR)
    old, new = timeline(ws, LEAD, "P3-08").couplers
    words = f"no longer be open. Name the coupler: {new.id} is there now, {old.id} was until 2026-03-04"
    with pytest.raises(ConflictError, match=words):
        refile(ws, TECHNICIAN, melted.id, "P3-08", "wrong unit")
    assert open_of(ws) == [("P3-07", melted.id)]
    refile(ws, TECHNICIAN, intact.id, "P3-08", "wrong unit")
    refile(ws, TECHNICIAN, melted.id, "P3-08", "wrong unit", coupler_id=old.id)
    assert open_of(ws) == []
