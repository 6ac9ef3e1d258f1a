"""A small invented operator for the tests of the screens: one site, a few units, some weeks of rounds."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from data_tools.access import Actor, Role
from data_tools.ingest import UploadSource, ingest
from data_tools.settings import Settings
from data_tools.sites import add_site, add_unit
from data_tools.workspace import Workspace, init_workspace
from model.vocabulary import FindingKind, Place, Reason, Triage
from tests.test_review_app.fakes import FakeClassifier, Scene, draw_photo

LEAD = Actor("Mara Lind", Role.LEAD)
TECHNICIAN = Actor("Ivo Tamm", Role.TECHNICIAN)
UPLOADER = Actor("Noor Vale", Role.UPLOADER)

MELTED = Scene.of(FindingKind.HEAT_MELTED_HOUSING, Place.UPPER_LEFT)
BROKEN = Scene.of(FindingKind.BROKEN_PIN_HOUSING, Place.BOTTOM)
NO_LATCH = Scene.of(FindingKind.MISSING_LATCH)
UNSURE = Scene.of(FindingKind.HEAT_MELTED_HOUSING, Place.LOWER_RIGHT, Triage.UNSURE)
IN_DOUBT = Scene.of(FindingKind.HEAT_MELTED_HOUSING, Place.LOWER_RIGHT, Triage.UNSURE, named=True)
COVERED = Scene(triage=Triage.UNSURE, unseen=Place.LATCH)
INTACT = Scene()
BLURRED = Scene(reason=Reason.TOO_BLURRED)


def make_workspace(folder: Path, **settings: object) -> Workspace:
    """Return a fresh workspace with the fake classifier and one site; the last unit has two couplers.

    No clear verdict is mixed into the queue: a photo's content decides on that, hence here the time of its
    making, and now and then another photo than the one a test is about would come first.
    """
    chosen = Settings(workspace=folder, **{"blind_audit_share": 0.0, **settings})  # type: ignore[arg-type]
    ws = init_workspace(chosen, classifier=FakeClassifier())
    add_site(ws, LEAD, "harbour", "Harbour Deck", "Europe/Lisbon")
    installed = datetime.now(UTC).date() - timedelta(days=400)
    for number in range(1, 7):
        add_unit(
            ws,
            LEAD,
            "harbour",
            f"H-{number:02d}",
            f"Bay {number}",
            part_number="K-32",
            installed_on=installed,
        )
    add_unit(ws, LEAD, "harbour", "H-06", position="B", part_number="K-32", installed_on=installed)
    return ws


def send(ws: Workspace, unit: str, scene: Scene, seed: int, *, days_ago: float = 0.0) -> None:
    """Send one drawn photo of ``unit`` as if it had been taken ``days_ago``."""
    send_round(ws, [(unit, scene, seed)], days_ago=days_ago)


def send_round(ws: Workspace, photos: list[tuple[str, Scene, int]], *, days_ago: float = 0.0) -> None:
    """Send drawn photos, each as (unit, scene, seed), in one go, as if they had been taken ``days_ago``."""
    at = datetime.now(UTC) - timedelta(days=days_ago)
    sources = [
        UploadSource(f"{unit}_{seed}.jpg", draw_photo(scene, seed, taken_at=at))
        for unit, scene, seed in photos
    ]
    ingest(ws, UPLOADER, sources, "harbour", now=at)


def send_weeks(ws: Workspace, weeks: int = 5) -> None:
    """Send some weeks of rounds in which H-01 melts, and leave H-05 and H-06 out of this week's."""
    for week in range(weeks, -1, -1):
        photos = []
        for number in range(1, 7):
            if week == 0 and number >= 5:
                continue
            scene = INTACT
            if number == 1 and week <= 1:
                scene = MELTED if week == 0 else UNSURE
            if number == 2 and week == 0:
                scene = BROKEN
            if number == 3 and week == 0:
                scene = BLURRED
            photos.append((f"H-{number:02d}", scene, week * 10 + number))
        send_round(ws, photos, days_ago=week * 7)
