"""A unit is chosen for an upload, and a photo in it says another one: it waits for a person's word."""

from __future__ import annotations

import pytest

from data_tools.access import Actor
from data_tools.history import timeline
from data_tools.ingest import UploadSource, assign_unit, ingest, list_waiting
from data_tools.open_damage import open_damage
from data_tools.own_words import say_themselves
from data_tools.records import IngestedFile, IngestStatus
from data_tools.sites import add_unit
from data_tools.workspace import Workspace
from tests.test_data_tools.store_kit import LEAD, MELTED, TECHNICIAN, UPLOADER, labelled, upload

SAYS_OTHER = [
    (upload("P3-08.png", MELTED), "The file name says P3-08, but P3-07 was chosen"),
    (upload("p3-08_evening.png", MELTED), "The file name says P3-08, but P3-07 was chosen"),
    (UploadSource("IMG_1.png", labelled("unit=P3-08")), "The code label in it says P3-08, but P3-07"),
    (UploadSource("P3-07.png", labelled("unit=P3-08")), "The code label in it says P3-08, but P3-07"),
    (
        UploadSource("IMG_1.png", labelled("unit=P3-08", dots=4, size=(2400, 3200))),
        "The code label in it says P3-08, but P3-07",
    ),
]


def _send(ws: Workspace, source: UploadSource, unit: str | None = "P3-07") -> IngestedFile:
    return ingest(ws, UPLOADER, [source], "north", unit_key=unit).files[0]


@pytest.mark.parametrize(("source", "words"), SAYS_OTHER)
@pytest.mark.parametrize(("who", "shows"), [(UPLOADER, "P3-08"), (TECHNICIAN, "P3-07")])
def test_what_says_another_unit_waits_and_goes_to_either(
    ws: Workspace, source: UploadSource, words: str, who: Actor, shows: str
) -> None:
    file = _send(ws, source)
    assert file.status is IngestStatus.NEEDS_UNIT
    assert words in file.message
    assert not any(timeline(ws, LEAD, unit).entries for unit in ("P3-07", "P3-08"))
    assert not open_damage(ws, LEAD)
    (waits,) = list_waiting(ws, who, "north")
    assert waits.why == file.message
    assert waits.offered == (("P3-08", "A"), ("P3-07", "A")), "what it says first, then what was chosen"
    unit, position = next(pair for pair in waits.offered if pair[0] == shows)
    done = assign_unit(ws, who, waits.id, unit, position=position)
    assert done.photo is not None
    assert (done.photo.unit_key, done.photo.received_by) == (shows, "Uli")
    assert not list_waiting(ws, LEAD)


@pytest.mark.parametrize(
    "name",
    [
        "IMG_2041.jpg",
        "DSC0001.png",
        "20260304_081500.jpg",
        "P3-99.jpg",
        "round.png",
        "P3-07_2.png",
        "P3-08x.png",
    ],
)
def test_a_name_that_says_nothing_or_the_same_goes_to_the_chosen_unit(ws: Workspace, name: str) -> None:
    file = _send(ws, upload(name, MELTED))
    assert file.status is IngestStatus.STORED, file.message
    assert file.photo is not None
    assert file.photo.unit_key == "P3-07"


@pytest.mark.parametrize(
    "source",
    [
        upload("P3-08__C.png", MELTED),
        UploadSource("IMG_1.png", labelled("unit=P3-08&position=C")),
        UploadSource("P3-08.png", labelled("unit=P3-08&position=C")),
    ],
)
def test_a_coupler_that_is_not_there_is_not_taken_for_another_of_its_unit(
    ws: Workspace, source: UploadSource
) -> None:
    assert _send(ws, source).status is IngestStatus.NEEDS_UNIT
    (waits,) = list_waiting(ws, UPLOADER, "north")
    assert waits.offered == (("P3-07", "A"),)
    assert not say_themselves(ws, UPLOADER, "north")


def test_a_unit_of_another_site_is_another_unit_too(ws: Workspace) -> None:
    add_unit(ws, LEAD, "south", "Q1", position="B")
    file = _send(ws, upload("Q1__b_2.png", MELTED))
    assert file.status is IngestStatus.NEEDS_UNIT
    assert "The file name says Q1, but P3-07 was chosen" in file.message
    (waits,) = list_waiting(ws, UPLOADER, "north")
    assert waits.offered == (("Q1", "B"), ("P3-07", "A"))
    assert assign_unit(ws, UPLOADER, waits.id, "Q1", position="B").status is IngestStatus.STORED


def test_a_label_that_says_the_chosen_unit_settles_what_the_name_says(ws: Workspace) -> None:
    file = _send(ws, UploadSource("P3-08.png", labelled("unit=P3-07")))
    assert file.photo is not None
    assert file.photo.unit_key == "P3-07"
    assert "The file name says P3-08" in file.message


def test_sent_again_it_waits_once_and_tells_what_was_chosen_last(ws: Workspace) -> None:
    first = _send(ws, upload("P3-08.png", MELTED))
    add_unit(ws, LEAD, "north", "P3-09")
    again = _send(ws, upload("P3-08.png", MELTED), "P3-09")
    assert again.waiting_id == first.waiting_id
    (waits,) = list_waiting(ws, UPLOADER)
    assert "but P3-09 was chosen" in waits.why
    assert waits.offered == (("P3-08", "A"), ("P3-09", "A"))
    assert _send(ws, upload("P3-08.png", MELTED), "P3-08").status is IngestStatus.STORED
    assert not list_waiting(ws, UPLOADER)


def test_a_photo_of_which_nothing_is_known_offers_no_unit(ws: Workspace) -> None:
    _send(ws, upload("IMG_2041.jpg"), None)
    assert list_waiting(ws, UPLOADER)[0].offered == ()


@pytest.fixture
def two(ws: Workspace) -> Workspace:
    """A store whose unit P3-07 has the couplers A and B."""
    add_unit(ws, LEAD, "north", "P3-07", position="B")
    return ws


def _send_of(ws: Workspace, source: UploadSource, position: str | None) -> IngestedFile:
    return ingest(ws, UPLOADER, [source], "north", unit_key="P3-07", position=position).files[0]


@pytest.mark.parametrize(
    ("source", "says"),
    [
        (upload("P3-07__b_3.png", MELTED), "The file name says"),
        (UploadSource("IMG_1.png", labelled("unit=P3-07&position=B")), "The code label in it says"),
        (UploadSource("P3-07__A.png", labelled("unit=P3-07&position=B")), "The code label in it says"),
        (UploadSource("P3-07__B.png", labelled("unit=P3-07")), "The file name says"),
    ],
)
def test_what_says_the_other_coupler_of_the_unit_waits(
    two: Workspace, source: UploadSource, says: str
) -> None:
    file = _send_of(two, source, "A")
    assert file.status is IngestStatus.NEEDS_UNIT
    assert f"{says} coupler B of P3-07, but coupler A was chosen" in file.message
    (waits,) = list_waiting(two, UPLOADER, "north")
    assert waits.offered == (("P3-07", "B"), ("P3-07", "A"))
    done = assign_unit(two, UPLOADER, waits.id, "P3-07", position="B")
    assert done.photo is not None
    assert done.photo.position == "B"


@pytest.mark.parametrize(
    ("source", "chosen", "filed"),
    [
        (upload("P3-07__B.png"), None, "B"),
        (UploadSource("P3-07__A.png", labelled("unit=P3-07&position=B")), None, "B"),
        (upload("P3-07__b.png"), "b", "B"),
        (upload("P3-07.png"), "B", "B"),
        (upload("P3-07__C.png"), "B", "B"),
        (UploadSource("P3-07__A.png", labelled("unit=P3-07&position=B")), "B", "B"),
        (
            UploadSource("P3-07__A.png", labelled("unit=P3-07&position=B", dots=4, size=(2400, 3200))),
            "B",
            "B",
        ),
    ],
)
def test_what_says_the_same_coupler_or_none_does_not_wait(
    two: Workspace, source: UploadSource, chosen: str | None, filed: str
) -> None:
    file = _send_of(two, source, chosen)
    assert file.photo is not None, file.message
    assert file.photo.position == filed
