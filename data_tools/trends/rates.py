"""How much damage: by site, week, family, part number, age and place on the face."""

from __future__ import annotations

from enum import StrEnum

import numpy as np
import pandas as pd

from data_tools.trends.frames import (
    CONFIDENCE,
    MIN_COUPLER_WEEKS,
    MIN_COUPLERS,
    Figure,
    TrendData,
    not_enough,
    words_for,
)
from model.families import FAMILIES
from model.metrics import clopper_pearson_bounds
from model.vocabulary import FindingKind, Place

AGE_EDGES_DAYS = (0.0, 91.0, 182.0, 365.0, 730.0, 1095.0, np.inf)
AGE_NAMES = (
    "under 3 months",
    "3 to 6 months",
    "6 to 12 months",
    "1 to 2 years",
    "2 to 3 years",
    "over 3 years",
)


class By(StrEnum):
    """What a damage rate can be told apart by."""

    SITE = "site"
    WEEK = "week"
    FAMILY = "family"
    PART_NUMBER = "part_number"
    AGE = "age"
    PLACE = "place"


_COUNTED = {
    By.SITE: "couplers seen; damaged: at least one photo of the period shows it",
    By.FAMILY: "couplers seen; damaged: at least one photo of the period shows it",
    By.PART_NUMBER: "couplers seen; damaged: at least one photo of the period shows it",
    By.WEEK: "couplers seen in the week; damaged: a photo of the week shows it",
    By.AGE: "coupler-weeks of couplers seen undamaged before; damaged: the first week that shows damage",
    By.PLACE: "couplers seen of the families that have the place; damaged: at least one photo shows it there",
}


def damage_rate(data: TrendData, by: By, kind: FindingKind | None = None) -> Figure:
    """Return the share of damaged couplers by ``by``, of one ``kind`` or of any damage.

    The table has one row a group: ``group``, ``damaged``, ``confirmed`` (of these, by a person), ``n``,
    ``rate``, ``low``, ``high`` (exact 95 %), ``enough``, ``needed`` (how many more). By place it has a
    column ``kind`` and a row for each kind that the place can have.
    """
    by = By(by)
    if by is By.PLACE:
        return _by_place(data, kind)
    weeks = data.coupler_weeks(kind)
    if by is By.WEEK:
        table = _shares(weeks, "week", MIN_COUPLERS)
    elif by is By.AGE:
        table = _by_age(weeks)
    else:
        columns = {by.value: "last", "hit": "max", "confirmed": "max"}
        table = _shares(weeks.groupby("coupler_id", sort=False).agg(columns), by.value, MIN_COUPLERS)
    return _figure(table, by, kind)


def _by_age(weeks: pd.DataFrame) -> pd.DataFrame:
    known = weeks[weeks["at_risk"] & (weeks["age_days"] >= 0)]
    ages = pd.cut(known["age_days"], AGE_EDGES_DAYS, right=False, labels=list(AGE_NAMES))
    new = known["new"]
    return _shares(
        known.assign(age=ages, hit=new, confirmed=new & known["confirmed"]), "age", MIN_COUPLER_WEEKS
    )


def _by_place(data: TrendData, kind: FindingKind | None) -> Figure:
    judged = data.photos.loc[data.photos["judged"], ["photo_id", "coupler_id", "family"]]
    seen = judged.drop_duplicates("coupler_id")["family"].value_counts()
    found = data.findings.merge(judged, on="photo_id")
    couplers = found.groupby(["place", "kind", "coupler_id"], sort=False)["confirmed"].max()
    hits = couplers.groupby(level=["place", "kind"]).agg(["size", "sum"]).to_dict("index")
    rows = []
    for place in Place:
        n = int(sum(seen.get(key, 0) for key, family in FAMILIES.items() if place in family.places))
        for each in FindingKind:
            possible = (each is FindingKind.MISSING_LATCH) == (place is Place.LATCH)
            if n and possible and kind in (None, each):
                hit = hits.get((place.value, each.value), {"size": 0, "sum": 0})
                rows.append((place.value, each.value, int(hit["size"]), int(hit["sum"]), n))
    table = pd.DataFrame(rows, columns=["group", "kind", "damaged", "confirmed", "n"])
    return _figure(with_interval(table, MIN_COUPLERS), By.PLACE, kind)


def _shares(rows: pd.DataFrame, group: str, minimum: int) -> pd.DataFrame:
    grouped = rows.groupby(group, sort=True, observed=True)
    counts = grouped.agg(damaged=("hit", "sum"), confirmed=("confirmed", "sum"), n=("hit", "size"))
    counts = counts.astype("int64").reset_index(names="group")
    return with_interval(counts, minimum)


def with_interval(table: pd.DataFrame, minimum: int, hits: str = "damaged") -> pd.DataFrame:
    """Return ``table`` with rate, exact interval, ``enough`` and ``needed`` from columns ``hits`` and ``n``.

    Rows with ``n`` below ``minimum`` get no rate and no bounds (NaN).
    """
    count, n = table[hits].to_numpy(np.float64), table["n"].to_numpy(np.float64)
    low, high = clopper_pearson_bounds(count, n, CONFIDENCE)
    enough = n >= minimum
    rate = np.divide(count, n, out=np.full(n.shape, np.nan), where=n > 0)
    return table.assign(
        rate=np.where(enough, rate, np.nan),
        low=np.where(enough, low, np.nan),
        high=np.where(enough, high, np.nan),
        enough=enough,
        needed=np.maximum(minimum - n, 0).astype(np.int64),
    )


def _figure(table: pd.DataFrame, by: By, kind: FindingKind | None) -> Figure:
    minimum = MIN_COUPLER_WEEKS if by is By.AGE else MIN_COUPLERS
    unit = "coupler-weeks" if by is By.AGE else "couplers"
    largest = int(table["n"].max()) if len(table) else 0
    total = largest if by is By.PLACE else int(table["n"].sum())
    lacking = not_enough(largest, minimum, f"{unit} in the largest group")
    return Figure(
        f"Share with {words_for(kind)} by {by.value.replace('_', ' ')}", table, total, _COUNTED[by], lacking
    )
