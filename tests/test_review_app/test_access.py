"""Who may see what: alone on one machine, and shared with a login."""

from __future__ import annotations

import time

import pytest
from streamlit import config
from streamlit.testing.v1 import AppTest

from data_tools.access import Actor, Permission, Role
from data_tools.review import decisions_of, queue
from data_tools.workspace import Workspace
from review_app import access
from tests.test_review_app.conftest import TIMEOUT_S, OpenApp
from tests.test_review_app.reading import page_words
from tests.test_review_app.scenario import LEAD, MELTED, TECHNICIAN, UPLOADER, send
from tests.test_review_app.serve import APP

PAGES = {
    Role.UPLOADER: ["Send a round", "Units"],
    Role.TECHNICIAN: ["Send a round", "Review", "Act", "Units"],
    Role.LEAD: ["Send a round", "Review", "Act", "Units", "Trends", "Models"],
}


def links(app: AppTest) -> list[str]:
    """Return the pages offered at the top."""
    titles = {title for pages in PAGES.values() for title in pages}
    return [link.proto.label for link in app.get("page_link") if link.proto.label in titles]


@pytest.mark.parametrize("actor", [UPLOADER, TECHNICIAN, LEAD], ids=lambda actor: actor.role.value)
def test_each_role_sees_its_own_pages(open_app: OpenApp, actor: Actor) -> None:
    assert links(open_app(actor)) == PAGES[actor.role]


@pytest.mark.parametrize("screen", ["review", "act", "trends", "models"])
def test_a_page_that_is_not_listed_is_not_registered(open_app: OpenApp, screen: str) -> None:
    app = open_app(UPLOADER)
    with pytest.raises(ValueError, match="Could not find a navigation page"):
        app.switch_page(f"screens/{screen}.py")


@pytest.mark.parametrize("screen", ["review", "act", "trends", "models"])
def test_a_screen_reached_past_its_menu_refuses(open_app: OpenApp, screen: str) -> None:
    open_app(UPLOADER)
    app = AppTest.from_string(
        f"from review_app.errands.{screen} import show\nshow()", default_timeout=TIMEOUT_S
    )
    app.session_state["actor"] = UPLOADER
    app.run()
    assert not app.exception
    assert [error.value[:5] for error in app.error] == ["Only "]
    assert not app.button


def test_a_name_and_a_role_are_asked_for_and_remembered(open_app: OpenApp) -> None:
    app = open_app()
    app.text_input[0].set_value("Noor Vale")
    app.radio[0].set_value(Role.UPLOADER)
    app.button[0].click().run()
    assert "Noor Vale · Facilities" in page_words(app)
    assert "Noor Vale · Facilities" in page_words(open_app())
    app.button(key="somebody_else").click().run()
    assert [button.label for button in app.button] == ["Start"]


def test_an_empty_name_is_refused(open_app: OpenApp) -> None:
    app = open_app()
    app.text_input[0].set_value("  ")
    app.button[0].click().run()
    assert "Please write your name." in page_words(app)


def test_open_to_the_network_without_a_login_it_refuses(open_app: OpenApp) -> None:
    config.set_option("server.address", "0.0.0.0")
    app = open_app()
    assert "no login is set up" in page_words(app)
    assert not app.button


@pytest.fixture
def shared(open_app: OpenApp, ws: Workspace, monkeypatch: pytest.MonkeyPatch) -> Workspace:
    """A shared server on which two people have roles."""
    people = "mara@operator.example=lead, NOOR@operator.example = uploader"
    (ws.folder / "settings.toml").write_text(f'people = "{people}"\n', "utf-8")
    monkeypatch.setattr(access, "is_shared", lambda: True)
    return ws


def logged_in(**facts: object) -> AppTest:
    """Run the app for somebody whom the login provider describes so."""
    app = AppTest.from_file(str(APP), default_timeout=TIMEOUT_S)
    app.user = {"is_logged_in": True, "iat": time.time(), **facts}
    return app.run()


def test_the_role_comes_from_the_settings(shared: Workspace) -> None:
    app = logged_in(email="Noor@Operator.example")
    assert links(app) == PAGES[Role.UPLOADER]
    assert "noor@operator.example" in page_words(app).replace("\\", "")


def test_who_is_taken_off_the_list_is_out_at_the_next_click(shared: Workspace) -> None:
    app = logged_in(email="mara@operator.example")
    assert links(app) == PAGES[Role.LEAD]
    actor = app.session_state["actor"]
    actor.require(Permission.DECIDE)
    (shared.folder / "settings.toml").write_text('people = "noor@operator.example=lead"\n', "utf-8")
    assert "has no role here" in page_words(app.run())
    assert not links(app)
    assert not actor.may(Permission.SEE)
    assert links(logged_in(email="noor@operator.example")) == PAGES[Role.LEAD]


def test_a_key_pressed_by_who_is_taken_off_the_list_keeps_nothing(shared: Workspace) -> None:
    send(shared, "H-01", MELTED, 1)
    (item,) = queue(shared, TECHNICIAN)
    people = shared.folder / "settings.toml"
    people.write_text('people = "mara@operator.example=technician"\n', "utf-8")
    app = logged_in(email="mara@operator.example").switch_page("screens/review.py").run()
    people.write_text('people = "mara@operator.example=uploader"\n', "utf-8")
    app.button(key=f"key_cannot_tell_{item.photo.id}").click().run()
    assert decisions_of(shared, TECHNICIAN, item.photo.id) == []
    assert links(app) == PAGES[Role.UPLOADER]
    assert "Review is not part of what you do here" in page_words(app)


def test_a_stranger_gets_nothing(shared: Workspace) -> None:
    app = logged_in(email="eve@elsewhere.example")
    assert not links(app)
    assert "has no role here" in page_words(app)


@pytest.mark.parametrize(
    "facts",
    [
        {"email": "mara@operator.example", "email_verified": False},
        {"email": "mara@operator.example", "iat": time.time() - 13 * 3600},
        {"email": "mara@operator.example", "is_logged_in": False},
        {},
    ],
    ids=["address not verified", "signed in too long ago", "not signed in", "no address"],
)
def test_a_doubtful_login_gets_nothing(shared: Workspace, facts: dict[str, object]) -> None:
    assert not links(logged_in(**facts))
