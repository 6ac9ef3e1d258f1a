"""What the store's tests share: a judge by grey level, small photos, actors, a furnished workspace."""

from __future__ import annotations

import errno
import hashlib
import io
import json
import os
import subprocess
import sys
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image
from sqlalchemy import create_engine, text

from data_tools.access import Actor, Role
from data_tools.ingest import UploadSource, ingest
from data_tools.records import DecisionKind
from data_tools.review import decide
from data_tools.settings import Settings
from data_tools.sites import add_site, add_unit
from data_tools.workspace import Workspace, init_workspace
from model.judgement import Finding, Judgement, LocatedFace
from model.photo import Photo
from model.vocabulary import FindingKind, Outcome, Place, Reason, Triage, summary_label

LEAD = Actor("Lea", Role.LEAD)
TECHNICIAN = Actor("Tom", Role.TECHNICIAN)
OTHER_TECHNICIAN = Actor("Tia", Role.TECHNICIAN)
THIRD_TECHNICIAN = Actor("Tess", Role.TECHNICIAN)
UPLOADER = Actor("Uli", Role.UPLOADER)

OPENED = datetime(2026, 1, 5, 8, tzinfo=UTC)
"""When the units of ``furnished`` were installed."""

CLEAR, UNSURE, MELTED, LATCH, DARK = 200, 120, 60, 90, 5
"""Grey levels of photos and what ``GreyJudge`` makes of them."""

_FACE = LocatedFace(
    "type1", 0.9, (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0), {Place.BOTTOM: True, Place.LATCH: True}
)


class GreyJudge:
    """Judges by the mean grey of a photo. Needs no torch, so that tests start fast."""

    decode_side = 640

    def __init__(self, version: str = "grey-1") -> None:
        self.version = version

    def judge(self, photo: Photo) -> Judgement:
        """Judge one photo."""
        level = min((CLEAR, UNSURE, MELTED, LATCH, DARK), key=lambda g: abs(g - float(photo.rgb.mean())))
        if level == DARK:
            return Judgement(Outcome.CANNOT_JUDGE, self.version, Reason.TOO_DARK, face=_FACE)
        kind, place, chance = {
            CLEAR: (FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM, 0.01),
            UNSURE: (FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM, 0.4),
            MELTED: (FindingKind.HEAT_MELTED_HOUSING, Place.BOTTOM, 0.95),
            LATCH: (FindingKind.MISSING_LATCH, Place.LATCH, 0.95),
        }[level]
        found = () if level == CLEAR else (Finding(kind, place, chance),)
        triage = {CLEAR: Triage.CLEAR, UNSURE: Triage.UNSURE}.get(level, Triage.FLAG)
        chances = {k: chance if k is kind else 0.01 for k in FindingKind}
        label = summary_label({f.kind for f in found})
        return Judgement(
            Outcome.SCORED, self.version, None, "", label, triage, found, chances, {}, _FACE, {"sharp": 9.0}
        )

    def judge_many(self, photos: Iterable[Photo], batch: int = 16) -> Iterator[Judgement]:
        """Judge photos in order."""
        return map(self.judge, photos)


def full_disk(*_given: object, **_options: object) -> None:
    """Stand in for a write on a disk that is full."""
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def run_program(name: str, *arguments: object, timeout_s: int) -> Any:
    """Run ``tests.test_data_tools.NAME`` as a program of its own and return the JSON that it prints."""
    command = [sys.executable, "-W", "error", "-m", f"tests.test_data_tools.{name}", *map(str, arguments)]
    done = subprocess.run(
        command, cwd=Path(__file__).parents[2], capture_output=True, text=True, timeout=timeout_s, check=False
    )
    assert done.returncode == 0, done.stderr[-3000:]
    return json.loads(done.stdout)


def picture(grey: int = CLEAR, seed: int = 0, **options: object) -> bytes:
    """Return a small PNG of one grey with a grain that makes its bytes its own."""
    grain = np.random.default_rng(seed).integers(-3, 4, (24, 32, 3))
    buffer = io.BytesIO()
    Image.fromarray(np.clip(grey + grain, 0, 255).astype(np.uint8)).save(buffer, "PNG", **options)
    return buffer.getvalue()


def labelled(text: str, *, dots: int = 6, size: tuple[int, int] = (400, 600)) -> bytes:
    """Return a light grey PNG (height x width) with a QR code of ``text``, ``dots`` pixels a module."""
    code = np.kron(cv2.QRCodeEncoder.create().encode(text), np.ones((dots, dots), np.uint8))
    photo = np.full((*size, 3), 180, np.uint8)
    photo[40 : 40 + len(code), 40 : 40 + len(code)] = code[:, :, None]
    buffer = io.BytesIO()
    Image.fromarray(photo).save(buffer, "PNG")
    return buffer.getvalue()


def upload(name: str, grey: int = CLEAR, seed: int = 0) -> UploadSource:
    """Return one photo to send."""
    return UploadSource(name, picture(grey, seed))


def settings_for(folder: Path, **changes: object) -> Settings:
    """Return settings for ``folder``; the variable ``TEST_DATABASE_URL`` moves its database to a server."""
    server = os.environ.get("TEST_DATABASE_URL", "")
    url = _database_on(server, folder) if server and "database_url" not in changes else ""
    return replace(Settings(workspace=folder / "workspace", database_url=url), **changes)  # type: ignore[arg-type]


def _database_on(server: str, folder: Path) -> str:
    """Make a database of its own for ``folder`` on the PostgreSQL server and return its URL."""
    name = f"rounds_{hashlib.sha256(str(folder).encode()).hexdigest()[:16]}"
    engine = create_engine(f"{server}/postgres", isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        if connection.scalar(text("SELECT 1 FROM pg_database WHERE datname = :n"), {"n": name}) is None:
            connection.execute(text(f"CREATE DATABASE {name}"))
    engine.dispose()
    return f"{server}/{name}"


def furnished(folder: Path, **changes: object) -> Workspace:
    """Return a workspace with site ``north`` (units ``P3-07`` and ``P3-08``) and site ``south`` (``Q1``)."""
    ws = init_workspace(settings_for(folder, **changes), classifier=GreyJudge())
    add_site(ws, LEAD, "north", "North yard", "Europe/Zurich")
    add_site(ws, LEAD, "south", "South yard", "UTC")
    for site, unit in (("north", "P3-07"), ("north", "P3-08"), ("south", "Q1")):
        add_unit(ws, LEAD, site, unit, part_number="PN-1", now=OPENED)
    return ws


def decided(ws: Workspace) -> None:
    """Send photos of 30 units (half of them melted) and a dark one, and confirm every verdict."""
    for number in range(30):
        add_unit(ws, LEAD, "north", f"U{number:02}", now=OPENED)
    sources = [upload(f"U{n:02}.png", MELTED if n % 2 else CLEAR, n) for n in range(30)]
    report = ingest(ws, UPLOADER, [*sources, upload("P3-07_dark.png", DARK, 99)], "north")
    for file in report.files:
        assert file.photo is not None
        assert file.verdict is not None
        decide(ws, TECHNICIAN, file.photo.id, file.verdict.id, DecisionKind.CONFIRMED)
