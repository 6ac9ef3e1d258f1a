"""Fills a store with many photos by plain inserts, to measure how loading and trends grow."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
from sqlalchemy import insert

from data_tools.database import schema as t
from data_tools.lookup import judgement_to_json
from data_tools.records import DecisionKind, EventKind, UnitStatus
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


def _insert_photos(session, random, batch, units: int, weeks: int, sites: int) -> None:
    unit, week = random.integers(0, units, batch.size), random.integers(0, weeks, batch.size)
    damaged, corrected = random.uniform(size=batch.size) < 0.03, random.uniform(size=batch.size) < 0.2
    clear, flag = (
        judgement_to_json(verdict_of(None, Triage.CLEAR)),
        judgement_to_json(verdict_of(FindingKind.BROKEN_PIN_HOUSING, Triage.FLAG)),
    )
    found = [{"kind": "broken_pin_housing", "place": "upper_left"}]
    rows = {t.PhotoRow: [], t.VerdictRow: [], t.DecisionRow: [], t.PhotoStateRow: []}
    for n, u, w, bad, wrong in zip(
        batch.tolist(), unit.tolist(), week.tolist(), damaged, corrected, strict=True
    ):
        seen = START + timedelta(weeks=w, minutes=n % 300)
        stands = bool(bad) and not bool(wrong)
        rows[t.PhotoRow].append(
            {
                "id": n + 1,
                "sha256": f"{n:064d}",
                "file_name": "x.jpg",
                "coupler_id": 2 * u + (1 if w < 73 else 2),
                "round_id": w * sites + u % sites + 1,
                "taken_at": seen,
                "received_at": seen,
                "seen_at": seen,
                "received_by": "x",
                "width": 4000,
                "height": 3000,
                "camera": "",
                "blind_audit": n % 20 == 0,
            }
        )
        rows[t.VerdictRow].append(
            {
                "id": n + 1,
                "photo_id": n + 1,
                "made_at": seen,
                "model_version": "m1" if w < 80 else "m2",
                "outcome": Outcome.SCORED,
                "reason": None,
                "triage": Triage.FLAG if bad else Triage.CLEAR,
                "p_missing_latch": 0.01,
                "p_broken_pin_housing": 0.9 if bad else 0.01,
                "p_heat_melted_housing": 0.01,
                "judgement": flag if bad else clear,
            }
        )
        decided = bool(bad) or n % 20 == 0
        if decided:
            rows[t.DecisionRow].append(
                {
                    "id": n + 1,
                    "photo_id": n + 1,
                    "verdict_id": n + 1,
                    "kind": DecisionKind.CORRECTED if bad and wrong else DecisionKind.CONFIRMED,
                    "judged": True,
                    "findings": found if stands else [],
                    "decided_by": f"t{n % 3}",
                    "decided_at": seen,
                    "seconds": 4.0,
                    "comment": "",
                    "evidence_shown": False,
                    "withdraws_id": None,
                }
            )
        rows[t.PhotoStateRow].append(
            {
                "photo_id": n + 1,
                "verdict_id": n + 1,
                "decision_id": n + 1 if decided else None,
                "queued": False,
                "conflict": False,
                "second_opinion": False,
                "judged": True,
                "reason": None,
                "triage": Triage.FLAG if bad else Triage.CLEAR,
                "missing_latch": False,
                "broken_pin_housing": stands,
                "heat_melted_housing": False,
                "findings": found if stands else [],
            }
        )
    for table, values in rows.items():
        session.execute(insert(table), values)
