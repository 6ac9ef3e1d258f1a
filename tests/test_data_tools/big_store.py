"""Fills a store with many photos by plain inserts, to measure how loading and trends grow."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import insert
from sqlalchemy.orm import Session

from data_tools.database import schema as t
from data_tools.lookup import judgement_to_json
from data_tools.records import DecisionKind, EventKind, UnitStatus
from data_tools.standing import Stand
from data_tools.workspace import Workspace
from model.families import TYPE1
from model.judgement import Finding, Judgement, LocatedFace
from model.vocabulary import FindingKind, Outcome, Place, Triage, summary_label

START = datetime(2023, 1, 2, 9, 0, tzinfo=UTC)


def verdict_of(kind: FindingKind | None, triage: Triage, version: str = "m1") -> Judgement:
    """A judgement of realistic size that finds ``kind`` (at a fixed place) or nothing."""
    place = Place.LATCH if kind is FindingKind.MISSING_LATCH else Place.UPPER_LEFT
    found = (Finding(kind, place, 0.93),) if kind else ()
    return Judgement(
        Outcome.SCORED,
        version,
        label=summary_label({f.kind for f in found}),
        triage=triage,
        findings=found,
        probabilities={k: 0.93 if k is kind else 0.01 for k in FindingKind},
        place_probabilities={p: dict.fromkeys(FindingKind, 0.01) for p in TYPE1.places},
        face=LocatedFace("type1", 0.98, tuple(float(i) for i in range(9)), dict.fromkeys(TYPE1.places, True)),
        quality={"sharpness": 212.5, "brightness": 0.42, "face_px": 812.0},
    )


CLEAR = judgement_to_json(verdict_of(None, Triage.CLEAR))
FLAGGED = judgement_to_json(verdict_of(FindingKind.BROKEN_PIN_HOUSING, Triage.FLAG))
FOUND = [{"kind": "broken_pin_housing", "place": "upper_left"}]


def fill(ws: Workspace, photos: int, units: int, weeks: int = 156, sites: int = 10, seed: int = 1) -> None:
    """Insert photos of ``units`` units over ``weeks`` weeks, with verdicts, decisions and states."""
    random = np.random.default_rng(seed)
    with ws.write() as session:
        session.execute(insert(t.SiteRow), _sites(sites))
        session.execute(insert(t.UnitRow), _units(units, sites))
        session.execute(insert(t.CouplerRow), _couplers(units))
        session.execute(insert(t.RoundRow), _rounds(sites, weeks))
        session.execute(insert(t.EventRow), _events(units))
        for start in range(0, photos, 20_000):
            batch = np.arange(start, min(start + 20_000, photos))
            _insert_photos(session, random, batch, units, weeks, sites)


def _sites(sites: int) -> list[dict[str, object]]:
    return [
        {
            "id": i + 1,
            "key": f"S{i:02d}",
            "name": f"Site {i}",
            "timezone": "UTC",
            "added_at": START,
            "added_by": "x",
        }
        for i in range(sites)
    ]


def _units(units: int, sites: int) -> list[dict[str, object]]:
    return [
        {
            "id": i + 1,
            "site_id": i % sites + 1,
            "key": f"U{i:05d}",
            "name": "",
            "status": UnitStatus.IN_SERVICE,
            "added_at": START,
            "added_by": "x",
        }
        for i in range(units)
    ]


def _couplers(units: int) -> list[dict[str, object]]:
    """Each unit has had its coupler replaced once, in the middle of the time."""
    middle = date(2024, 6, 1)
    rows = []
    for i in range(units):
        common = {"unit_id": i + 1, "position": "A", "family": "type1", "part_number": f"PN-{i % 7}"}
        first = {"number": 1, "installed_on": date(2022, 6, 1), "removed_on": middle, "put_on_at": START}
        second = {
            "number": 2,
            "installed_on": middle,
            "removed_on": None,
            "put_on_at": START + timedelta(days=500),
        }
        rows += [{"id": 2 * i + 1, **common, **first}, {"id": 2 * i + 2, **common, **second}]
    return rows


def _rounds(sites: int, weeks: int) -> list[dict[str, object]]:
    rows = []
    for week in range(weeks):
        year, number, _ = (START + timedelta(weeks=week)).isocalendar()
        rows += [
            {
                "id": week * sites + site + 1,
                "site_id": site + 1,
                "iso_year": year,
                "iso_week": number,
                "opened_at": START + timedelta(weeks=week),
                "opened_by": "x",
            }
            for site in range(sites)
        ]
    return rows


def _events(units: int) -> list[dict[str, object]]:
    rows = []
    for i in range(0, units, 5):
        for kind, days in ((EventKind.OUT_OF_SERVICE, 300), (EventKind.RETURNED, 320)):
            when = START + timedelta(days=days)
            rows.append({"unit_id": i + 1, "kind": kind, "reason": "x", "done_by": "x", "done_at": when})
    return rows


def _insert_photos(
    session: Session,
    random: np.random.Generator,
    batch: NDArray[np.int64],
    units: int,
    weeks: int,
    sites: int,
) -> None:
    """Photos of random units and weeks: 3 in 100 show damage, a fifth of these are corrected to intact."""
    unit, week = random.integers(0, units, batch.size), random.integers(0, weeks, batch.size)
    damaged, corrected = random.uniform(size=batch.size) < 0.03, random.uniform(size=batch.size) < 0.2
    shots = [
        _Shot(*numbers, sites)
        for numbers in zip(
            batch.tolist(), unit.tolist(), week.tolist(), damaged.tolist(), corrected.tolist(), strict=True
        )
    ]
    session.execute(insert(t.PhotoRow), [shot.photo() for shot in shots])
    session.execute(insert(t.VerdictRow), [shot.verdict() for shot in shots])
    session.execute(insert(t.DecisionRow), [shot.decision() for shot in shots if shot.decided])
    session.execute(insert(t.PhotoStateRow), [shot.state() for shot in shots])


@dataclass(frozen=True)
class _Shot:
    n: int
    unit: int
    week: int
    damaged: bool
    corrected: bool
    sites: int

    @property
    def decided(self) -> bool:
        return self.damaged or self.n % 20 == 0

    @property
    def seen(self) -> datetime:
        return START + timedelta(weeks=self.week, minutes=self.n % 300)

    @property
    def found(self) -> list[dict[str, str]]:
        return FOUND if self.damaged and not self.corrected else []

    def photo(self) -> dict[str, object]:
        return {
            "id": self.n + 1,
            "sha256": f"{self.n:064d}",
            "file_name": "x.jpg",
            "coupler_id": 2 * self.unit + (1 if self.week < 73 else 2),
            "round_id": self.week * self.sites + self.unit % self.sites + 1,
            "taken_at": self.seen,
            "received_at": self.seen,
            "seen_at": self.seen,
            "received_by": "x",
            "width": 4000,
            "height": 3000,
            "camera": "",
            "blind_audit": self.n % 20 == 0,
        }

    def verdict(self) -> dict[str, object]:
        return {
            "id": self.n + 1,
            "photo_id": self.n + 1,
            "made_at": self.seen,
            "model_version": "m1" if self.week < 80 else "m2",
            "outcome": Outcome.SCORED,
            "reason": None,
            "triage": Triage.FLAG if self.damaged else Triage.CLEAR,
            "p_missing_latch": 0.01,
            "p_broken_pin_housing": 0.9 if self.damaged else 0.01,
            "p_heat_melted_housing": 0.01,
            "judgement": FLAGGED if self.damaged else CLEAR,
        }

    def decision(self) -> dict[str, object]:
        wrong = self.damaged and self.corrected
        return {
            "id": self.n + 1,
            "photo_id": self.n + 1,
            "verdict_id": self.n + 1,
            "kind": DecisionKind.CORRECTED if wrong else DecisionKind.CONFIRMED,
            "judged": True,
            "findings": self.found,
            "decided_by": f"t{self.n % 3}",
            "decided_at": self.seen,
            "seconds": 4.0,
            "comment": "",
            "evidence_shown": False,
            "withdraws_id": None,
        }

    def stand(self) -> Stand:
        if self.decided:
            return Stand.DAMAGED if self.found else Stand.SEEN_INTACT
        return Stand.SUSPECTED if self.damaged else Stand.CLEAR

    def state(self) -> dict[str, object]:
        return {
            "photo_id": self.n + 1,
            "verdict_id": self.n + 1,
            "decision_id": self.n + 1 if self.decided else None,
            "stand": self.stand(),
            "queued": False,
            "conflict": False,
            "second_opinion": False,
            "judged": True,
            "reason": None,
            "triage": Triage.FLAG if self.damaged else Triage.CLEAR,
            "missing_latch": False,
            "broken_pin_housing": bool(self.found),
            "heat_melted_housing": False,
            "findings": self.found,
            "before": [],
        }
