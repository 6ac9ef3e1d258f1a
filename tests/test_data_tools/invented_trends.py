"""Builds the frames of ``data_tools.trends`` from a few words, for tests of the pure functions."""

from collections.abc import Iterable

import pandas as pd

from data_tools.trends.frames import Figure, TrendData, bits_of
from model.vocabulary import FindingKind, Outcome, Place, Triage

MONDAY = pd.Timestamp("2025-01-06")
BROKEN, MELTED, LATCH = (
    FindingKind.BROKEN_PIN_HOUSING,
    FindingKind.HEAT_MELTED_HOUSING,
    FindingKind.MISSING_LATCH,
)


class Scene:
    """Add couplers, photos, decisions and events, then ask for ``data()``; weeks count from a Monday."""

    def __init__(self) -> None:
        self.photos: list[dict] = []
        self.findings: list[tuple] = []
        self.decisions: list[dict] = []
        self.couplers: dict[int, dict] = {}
        self.units: dict[str, dict] = {}
        self.events: list[dict] = []
        self.said: dict[int, int] = {}

    def coupler(
        self,
        unit: str,
        site: str = "north",
        *,
        number: int = 1,
        position: str = "A",
        part: str = "PN-1",
        family: str = "type1",
        installed: str = "2025-01-01",
    ) -> int:
        """Add a coupler (and its unit where new) and return its id."""
        added = pd.Timestamp("2025-01-01", tz="UTC")
        self.units.setdefault(unit, {"unit": unit, "site": site, "added_at": added, "closed_at": pd.NaT})
        key = len(self.couplers) + 1
        self.couplers[key] = {
            "coupler_id": key,
            "unit": unit,
            "position": position,
            "number": number,
            "site": site,
            "family": family,
            "part_number": part,
            "installed_on": pd.Timestamp(installed),
            "removed_on": pd.NaT,
            "put_on_at": added,
        }
        return key

    def photo(
        self,
        coupler: int,
        week: int,
        kinds: Iterable[FindingKind] = (),
        *,
        model: Iterable[FindingKind] | None = None,
        by: str = "",
        triage: Triage | None = None,
        refused: bool = False,
        audit: bool = False,
        place: Place | None = None,
        version: str = "m1",
    ) -> int:
        """Add a photo; ``kinds`` is what stands, ``by`` who decided it, ``model`` what the model said."""
        found, said = set(kinds), set(kinds if model is None else model)
        key = len(self.photos) + 1
        monday = MONDAY + pd.Timedelta(weeks=week)
        seen = (monday + pd.Timedelta(hours=10)).tz_localize("UTC")
        row = self.couplers[coupler]
        judged = bool(by) or not (refused or triage is Triage.UNSURE)
        self.photos.append(
            {
                "photo_id": key,
                **{c: row[c] for c in ("coupler_id", "unit", "position", "site", "family", "part_number")},
                "week": monday,
                "seen_at": seen,
                "age_days": float((monday - row["installed_on"]).days),
                "outcome": Outcome.CANNOT_JUDGE.value if refused else Outcome.SCORED.value,
                "reason": "too_dark" if refused else "",
                "triage": "" if refused else (triage or (Triage.FLAG if said else Triage.CLEAR)).value,
                "model_version": version,
                "blind_audit": audit,
                "decided": bool(by),
                "usable": bool(by) or not refused,
                "judged": judged,
                "kinds": bits_of(found) if judged else -1,
            }
        )
        self.said[key] = -1 if refused else bits_of(said)
        if judged:
            for kind in found:
                where = Place.LATCH if kind is LATCH else place or Place.UPPER_LEFT
                self.findings.append((key, kind.value, where.value, bool(by)))
        if by:
            self.decision(key, by, found)
        return key

    def judged_again(self, photo: int, version: str, model: Iterable[FindingKind] = ()) -> None:
        """Give a photo a newer verdict, with what it says; what people said of the one before stays."""
        said = set(model)
        triage = Triage.FLAG if said else Triage.CLEAR
        self.photos[photo - 1] |= {"outcome": "scored", "triage": triage.value, "model_version": version}
        self.said[photo] = bits_of(said)

    def decision(self, photo: int, by: str, kinds: Iterable[FindingKind] = ()) -> None:
        """Add one person's decision on the newest verdict of a photo."""
        newest = {name: self.photos[photo - 1][name] for name in ("model_version", "triage")}
        at = pd.Timestamp("2025-01-07", tz="UTC") + pd.Timedelta(minutes=len(self.decisions))
        self.decisions.append(
            {
                "photo_id": photo,
                "verdict_id": f"{photo} {newest['model_version']}",
                **newest,
                "model_kinds": self.said[photo],
                "decided_by": by,
                "decided_at": at,
                "seconds": 4.0,
                "evidence_shown": False,
                "kinds": bits_of(kinds),
            }
        )

    def event(self, unit: str, kind: str, week: int) -> None:
        """Add a condition event on the Wednesday of ``week``."""
        at = (MONDAY + pd.Timedelta(weeks=week, days=2)).tz_localize("UTC")
        self.events.append({"unit": unit, "kind": kind, "done_at": at, "reason": "x", "done_by": "x"})

    def data(self) -> TrendData:
        """Return the frames."""
        decisions = ["photo_id", "verdict_id", "model_version", "triage", "model_kinds", "decided_by"]
        decisions += ["decided_at", "seconds", "evidence_shown", "kinds"]
        units = pd.DataFrame(list(self.units.values()), columns=["unit", "site", "added_at", "closed_at"])
        events = ["unit", "kind", "done_at", "reason", "done_by"]
        return TrendData(
            photos=pd.DataFrame(self.photos),
            findings=pd.DataFrame(self.findings, columns=["photo_id", "kind", "place", "confirmed"]),
            decisions=pd.DataFrame(self.decisions, columns=decisions),
            couplers=pd.DataFrame(list(self.couplers.values())),
            units=units.assign(closed_at=pd.to_datetime(units["closed_at"], utc=True)),
            events=pd.DataFrame(self.events, columns=events),
            observations=pd.DataFrame(columns=["unit", "site", "what", "note", "done_at"]),
        )


def row(figure: Figure, **where: object) -> pd.Series:
    """The one row of the figure's table with these values."""
    table = figure.table
    for column, value in where.items():
        table = table[table[column] == value]
    assert len(table) == 1, table
    return table.iloc[0]


def two_sites(weeks: int = 4) -> Scene:
    """Twelve couplers at each of two sites; three at ``south`` are melted in every week."""
    scene = Scene()
    for site in ("north", "south"):
        for unit in range(12):
            coupler = scene.coupler(f"{site}-{unit}", site, part="PN-9" if unit < 6 else "PN-1")
            for week in range(weeks):
                scene.photo(coupler, week, {MELTED} if site == "south" and unit < 3 else ())
    return scene
