"""Fixtures and settings for all tests: two workers share two cores, so each keeps to one thread."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Generator, Iterator
from importlib import resources
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, settings

if TYPE_CHECKING:
    from playwright.sync_api import Browser

PAGE = "page at"
_THREADS: dict[str, int] = {}

# Read by OpenMP, OpenBLAS and MKL when they load, so set before any test imports numpy or torch.
for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    if "PYTEST_XDIST_WORKER" in os.environ:
        os.environ.setdefault(variable, "1")


# Busy machines are slow, which is no fault; in CI the same examples come every time. New ones come with each
# run elsewhere.
settings.register_profile(
    "steady",
    deadline=None,
    derandomize=os.environ.get("CI") == "true",
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("steady")


@pytest.fixture(autouse=True)
def _no_settings_from_outside(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep the developer's own ``ROUNDS_...`` variables out of the tests."""
    for name in [name for name in os.environ if name.startswith("ROUNDS_")]:
        monkeypatch.delenv(name)


@pytest.fixture(autouse=True)
def _threads_as_before() -> None:
    """Let no test compute on the cores that an earlier one took: two workers with two threads each, on two
    cores, wait for each other most of the time."""
    if torch := sys.modules.get("torch"):
        alone = 1 if "PYTEST_XDIST_WORKER" in os.environ else torch.get_num_threads()
        threads = _THREADS.setdefault("torch", alone)
        if torch.get_num_threads() != threads:
            torch.set_num_threads(threads)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what drives a browser, so that ``-m "not browser"`` leaves it out."""
    for item in items:
        if "browser" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.browser)
            # A crowded machine loses a click now and then; what is really broken fails three times.
            item.add_marker(pytest.mark.flaky(reruns=2, only_rerun="TimeoutError"))


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip rendering tests where the render extra is not installed; in CI it must be."""
    if item.get_closest_marker("render") and os.environ.get("CI") != "true":
        pytest.importorskip("mitsuba", reason="needs the render extra")


def find_chromium() -> str | None:
    """Return an installed Chromium (or Chrome) that starts, or ``None`` to use playwright's own."""
    for name in ("chromium", "chromium-browser", "google-chrome"):
        path = shutil.which(name)
        # Ubuntu's chromium-browser may be a stub that only says where else to get it.
        if path and subprocess.run([path, "--version"], capture_output=True, check=False).returncode == 0:
            return path
    return None


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A headless Chromium. Without one, the test is skipped, but in CI it fails."""
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as driver:
        # Chromium's sandbox refuses to run as root, as CI does.
        arguments = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
        try:
            chromium = driver.chromium.launch(executable_path=find_chromium(), args=arguments)
        except playwright.Error:
            if os.environ.get("CI") == "true":
                raise
            pytest.skip("no Chromium on this machine: `make test` tries to install one")
        yield chromium
        chromium.close()


@pytest.fixture(autouse=True)
def _tabs_are_closed(request: pytest.FixtureRequest) -> Iterator[None]:
    """Close what a test opened, also where it stopped half-way: its pages would go on beside the next try."""
    if "browser" not in request.fixturenames:
        yield
        return
    browser: Browser = request.getfixturevalue("browser")
    of_the_module = list(browser.contexts)
    yield
    for context in browser.contexts:
        if context not in of_the_module:
            context.close()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Keep with a failure what the open pages showed: "not there in time" alone says little."""
    report = yield
    browser: Browser | None = getattr(item, "funcargs", {}).get("browser")
    if report.failed and browser is not None:
        for page in [page for context in browser.contexts for page in context.pages]:
            try:
                words = page.locator("body").inner_text(timeout=5_000)
            except Exception as error:  # a page that has crashed or is on its way to another
                words = str(error)
            lines = [line for line in words.splitlines() if line.strip()]
            report.sections.append((f"{PAGE} {page.url}", "\n".join(lines)))
    return report


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print why each test was tried again: the failure of its last try does not tell."""
    for report in terminalreporter.stats.get("rerun", []):
        terminalreporter.section(f"{report.nodeid}, try {report.rerun + 1}", sep="_")
        terminalreporter.write_line(report.longreprtext)
        for title, words in report.sections:
            if title.startswith(PAGE):
                terminalreporter.write_line(f"--- {title}\n{words}")


@pytest.fixture(scope="session")
def axe_source() -> str:
    """The JavaScript of axe-core, the accessibility checker, as its Python package ships it."""
    return (resources.files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
