"""Shared use: a login through OpenID Connect against a provider on this machine, roles from the settings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from data_tools.history import timeline
from data_tools.settings import Settings
from data_tools.workspace import open_workspace
from tests.test_review_app.browsing import DESK, keep_screen, open_page, server_log, settle, upload
from tests.test_review_app.conftest import free_port, serve
from tests.test_review_app.fakes import FakeClassifier, draw_photo
from tests.test_review_app.scenario import INTACT, LEAD, make_workspace

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

    from tests.test_review_app.login_provider import LoginProvider

pytestmark = pytest.mark.browser


@dataclass(frozen=True)
class Shared:
    """A shared server with its provider."""

    address: str
    folder: Path
    provider: LoginProvider


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shared]:
    """The app with a login, for tests that change nothing in its store."""
    yield from served(tmp_path_factory.mktemp("login") / "workspace")


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[Shared]:
    """The app with a login, on a store that nobody has changed."""
    yield from served(tmp_path / "workspace")


def served(folder: Path) -> Iterator[Shared]:
    """Serve the app with a login, for two people with roles."""
    pytest.importorskip("authlib", reason="needs the login extra")
    from tests.test_review_app.login_provider import LoginProvider

    provider = LoginProvider()
    make_workspace(folder).close()
    people = "mara@operator.example=lead, noor@operator.example=uploader"
    (folder / "settings.toml").write_text(f'people = "{people}"\n', encoding="utf-8")
    port = free_port()
    secrets = folder / "secrets.toml"
    secrets.write_text(provider.secrets_toml(f"http://127.0.0.1:{port}"), encoding="utf-8")
    server = serve(folder, port, f"--secrets.files={secrets}")
    yield Shared(next(server), folder, provider)
    server.close()
    provider.close()
    assert "Traceback" not in server_log(folder)


def log_in(browser: Browser, shared: Shared, **facts: object) -> Page:
    """Log in as somebody whom the provider describes by ``facts``."""
    shared.provider.facts = facts
    page = open_page(browser, shared.address, DESK)
    page.get_by_role("button", name="Sign in").wait_for()
    settle(page)
    page.get_by_role("button", name="Sign in").click()
    return page


def test_nobody_gets_in_without_a_login(browser: Browser, shared: Shared) -> None:
    page = open_page(browser, f"{shared.address}/send", DESK)
    page.get_by_role("button", name="Sign in").wait_for()
    keep_screen(page, "sign_in")
    assert not page.locator(".st-key-nav").count()
    assert not page.locator('input[type="file"]').count()
    settle(page)
    assert not page.get_by_role("dialog").count(), "the address is said not to exist"
    page.context.close()


def test_an_uploader_sends_under_the_address_of_the_login(browser: Browser, fresh: Shared) -> None:
    page = log_in(browser, fresh, email="noor@operator.example", email_verified=True)
    page.get_by_text("noor@operator.example · Facilities").wait_for()
    links = page.locator(".st-key-nav").get_by_role("link")
    assert [words.splitlines()[-1] for words in links.all_inner_texts()] == ["Send a round", "Units"]
    upload(page, ("H-02.jpg", draw_photo(INTACT, 1)))
    page.get_by_role("group", name="No damage seen").wait_for()
    ws = open_workspace(Settings(workspace=fresh.folder), classifier=FakeClassifier())
    (photo,) = [entry.photo for entry in timeline(ws, LEAD, "H-02").entries if entry.photo]
    assert photo.received_by == "noor@operator.example"
    ws.close()
    settle(page)
    page.get_by_role("button", name="Sign out").click()
    page.get_by_role("button", name="Sign in").wait_for()
    page.context.close()


def test_a_lead_sees_everything(browser: Browser, shared: Shared) -> None:
    page = log_in(browser, shared, email="mara@operator.example")
    page.locator(".st-key-nav").get_by_role("link", name="Models").wait_for()
    for name, title in (("send", "Send a round"), ("trends", "Trends")):
        page.goto(f"{shared.address}/{name}")
        page.get_by_role("heading", name=title, exact=True).wait_for()
        settle(page)
        assert not page.get_by_role("dialog").count(), "the address is said not to exist"
    page.context.close()


@pytest.mark.parametrize(
    "facts",
    [
        {"email": "eve@elsewhere.example"},
        {"email": "mara@operator.example", "email_verified": False},
        {},
    ],
    ids=["no role", "address not verified", "no address"],
)
def test_a_stranger_stays_out(browser: Browser, shared: Shared, facts: dict[str, object]) -> None:
    page = log_in(browser, shared, **facts)
    page.get_by_text("has no role here").wait_for()
    assert not page.locator(".st-key-nav").count()
    page.context.close()
