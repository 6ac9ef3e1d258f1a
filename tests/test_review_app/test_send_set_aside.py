"""Send: photos that show no coupler are set aside with a reason, and brought back."""

from __future__ import annotations

from data_tools.history import timeline
from data_tools.waiting import list_set_aside, list_waiting
from data_tools.workspace import Workspace
from tests.test_review_app.conftest import OpenApp
from tests.test_review_app.fakes import draw_photo
from tests.test_review_app.reading import page_words
from tests.test_review_app.scenario import INTACT, LEAD, TECHNICIAN, UPLOADER
from tests.test_review_app.test_send import upload


def test_a_reason_takes_a_photo_off_the_list_and_a_button_brings_it_back(
    open_app: OpenApp, ws: Workspace
) -> None:
    app = open_app(UPLOADER)
    upload(app, ("dog.jpg", INTACT))
    (waits,) = list_waiting(ws, LEAD, "harbour")
    app.button(key=f"aside_No coupler in it_{waits.id}").click().run()
    words = page_words(app)
    assert "Which unit?" not in words
    assert "Set aside: No coupler in it" in words
    assert "By Noor Vale" in words
    (aside,) = list_set_aside(ws, LEAD, "harbour")
    assert [(event.done_by, event.reason) for event in aside.events] == [("Noor Vale", "No coupler in it")]
    app.button(key=f"bring_back_{waits.id}").click().run()
    words = page_words(app)
    assert "Which unit? 1 waiting" in words
    assert "Noor Vale set it aside on" in words
    app.pills(key=f"unit_of_{waits.id}").set_value(("H-01", "A")).run()
    assert [e.photo.unit_key for e in timeline(ws, LEAD, "H-01").entries if e.photo] == ["H-01"]
    unit = page_words(open_app(TECHNICIAN, "unit"))
    assert "While it waited, Noor Vale set it aside: No coupler in it" in unit


def test_a_reason_can_be_typed_and_none_is_refused(open_app: OpenApp, ws: Workspace) -> None:
    app = open_app(UPLOADER)
    upload(app, ("form.jpg", INTACT))
    (waits,) = list_waiting(ws, LEAD, "harbour")
    send = next(button for button in app.button if button.label == "Set aside for this reason")
    send.click().run()
    assert "Write the reason" in page_words(app)
    assert list_waiting(ws, LEAD, "harbour") == [waits]
    field = next(field for field in app.text_input if field.label.startswith("Another reason"))
    field.set_value("a delivery <b>form</b>")
    next(button for button in app.button if button.label == "Set aside for this reason").click().run()
    assert list_set_aside(ws, LEAD)[0].events[0].reason == "a delivery <b>form</b>"
    html = " ".join(block.proto.body for block in app.get("html"))
    assert "&lt;b&gt;form" in html


def test_in_a_new_tab_what_was_set_aside_is_shown_when_asked_for(open_app: OpenApp, ws: Workspace) -> None:
    app = open_app(UPLOADER)
    upload(app, ("dog.jpg", INTACT), ("form.jpg", INTACT))
    for waits in list_waiting(ws, LEAD):
        app.button(key=f"aside_Sent by mistake_{waits.id}").click().run()
    other = open_app(TECHNICIAN, "send")
    assert "dog.jpg" not in page_words(other)
    other.toggle(key="whole_aside").set_value(True).run()
    words = page_words(other)
    assert "dog.jpg" in words
    assert "form.jpg" in words


def test_sent_again_it_says_that_it_was_set_aside(open_app: OpenApp, ws: Workspace) -> None:
    app = open_app(UPLOADER)
    upload(app, ("dog.jpg", INTACT))
    (waits,) = list_waiting(ws, LEAD)
    app.button(key=f"aside_No coupler in it_{waits.id}").click().run()
    again = open_app(TECHNICIAN, "send")
    again.file_uploader[0].set_value([("dog.jpg", draw_photo(INTACT, 1000), "image/jpeg")]).run()
    words = page_words(again)
    assert "Set aside by Noor Vale" in words
    assert "bring it back" in words
