"""The weekly watch: share refused, share unsure, agreement with people, and what moved beyond chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from data_tools.statistics import Rule, laney_p_chart
from data_tools.trends.agreement import heard_verdicts
from data_tools.trends.frames import MIN_PHOTOS_A_WEEK, MIN_WEEKS, Figure, TrendData, not_enough
from data_tools.trends.rates import with_interval
from model.vocabulary import Outcome, Triage

CHANCE = 0.00135
COUNTED = (
    "photos of the week (refused: of all, with those that show too little; unsure: of those judged; agreed: "
    "of the verdicts that a person decided on). "
    "A week is flagged when it lies beyond Laney p'-limits drawn from the other weeks up to then and has an "
    f"exact binomial probability below {CHANCE:.5f}"
)


@dataclass(frozen=True)
class _Measure:
    """One watched share: the columns it divides, the side that is bad, and what to do."""

    name: str
    hits: str
    of: str
    bad_when_high: bool
    words: str


MEASURES = (
    _Measure(
        "refused",
        "refused_count",
        "photos",
        True,
        "more photos than usual could not be judged. Show the staff how to take them, and look at who sends "
        "them, with which phone and in what light.",
    ),
    _Measure(
        "unsure",
        "unsure_count",
        "scored",
        True,
        "the model was unsure more often than usual. Look at what is new: couplers, phones, dirt, season. "
        "Review those photos first, then retrain.",
    ),
    _Measure(
        "agreed",
        "agreed_count",
        "decided",
        False,
        "people agreed with the model less often than usual. Look at the corrections of the week; do not "
        "promote a new model until they are understood, and go back if a promotion came just before.",
    ),
)


def weekly_watch(data: TrendData, site: str | None = None) -> Figure:
    """Return the watched shares week by week, over all sites or at one.

    Table, a row for each week and measure: ``week``, ``measure`` (refused, unsure, agreed), ``count``, ``n``,
    ``rate``, ``low``, ``high``, ``enough``, ``needed``, ``centre``, ``lower``, ``upper``, ``flagged``,
    ``model_versions`` (of the week's verdicts that stand and of those that people decided on).
    """
    photos = data.photos if site is None else data.photos[data.photos["site"] == site]
    name = None if site is None else data.called(site)
    counts = _weekly_counts(photos, heard_verdicts(data))
    tables, notices = [], []
    for measure in MEASURES:
        table = _watched(counts, measure)
        tables.append(table)
        notices += [_notice(measure, row, name) for row in table[table["flagged"]].itertuples()]
    table = pd.concat(tables, ignore_index=True)
    lacking = not_enough(len(counts), MIN_WEEKS, "weeks with photos")
    where = f" at {name}" if name else ""
    return Figure(f"Weekly watch of the model{where}", table, len(photos), COUNTED, lacking, tuple(notices))


def _weekly_counts(photos: pd.DataFrame, heard: pd.DataFrame) -> pd.DataFrame:
    # A scored photo has a reason where it shows too little of the coupler: it is not unsure besides.
    scored = (photos["outcome"] == Outcome.SCORED.value) & (photos["reason"] == "")
    marks = pd.DataFrame(
        {
            "week": photos["week"],
            "photos": 1,
            "scored": scored,
            "refused_count": ~scored,
            "unsure_count": scored & (photos["triage"] == Triage.UNSURE.value),
        }
    )
    counts = marks.groupby("week", sort=True).sum()
    heard = heard.merge(photos[["photo_id", "week"]], on="photo_id")
    agreed = (heard["kinds"] == heard["model_kinds"]).groupby(heard["week"]).agg(["size", "sum"])
    counts[["decided", "agreed_count"]] = agreed.reindex(counts.index, fill_value=0)
    versions = [
        frame[["week", "model_version"]].drop_duplicates().astype(object) for frame in (photos, heard)
    ]
    named = pd.concat(versions).drop_duplicates().sort_values("model_version")
    joined = named.groupby("week")["model_version"].agg(", ".join)
    return counts.astype("int64").assign(model_versions=joined)


def _watched(counts: pd.DataFrame, measure: _Measure) -> pd.DataFrame:
    table = pd.DataFrame(
        {
            "week": counts.index,
            "measure": measure.name,
            "count": counts[measure.hits].to_numpy(),
            "n": counts[measure.of].to_numpy(),
            "model_versions": counts["model_versions"].to_numpy(),
        }
    )
    table = with_interval(table, MIN_PHOTOS_A_WEEK, hits="count")
    hits, sizes = table["count"].to_numpy(), table["n"].to_numpy()
    limits = [_against_before(hits[: end + 1], sizes[: end + 1], measure) for end in range(len(table))]
    return table.join(
        pd.DataFrame(limits, columns=["centre", "lower", "upper", "flagged"], index=table.index)
    )


def _against_before(
    hits: NDArray[np.int64], sizes: NDArray[np.int64], measure: _Measure
) -> tuple[float, float, float, bool]:
    """Limits for the last week given from the weeks before it, and whether it lies beyond them.

    The week itself stays out of its own limits: a change would hide in limits that it helped to draw.
    """
    count, n = int(hits[-1]), int(sizes[-1])
    used = np.flatnonzero(sizes[:-1] > 0)
    if len(used) < MIN_WEEKS or n < MIN_PHOTOS_A_WEEK:
        return np.nan, np.nan, np.nan, False
    chart = laney_p_chart(hits[used], sizes[used], [Rule.BEYOND_LIMITS])
    # Half a case added keeps the limits open where it never happened before.
    centre = float((hits[used].sum() + 0.5) / (sizes[used].sum() + 1))
    half = 3 * max(chart.sigma_z, 1.0) * float(np.sqrt(centre * (1 - centre) / n))
    lower, upper = max(0.0, centre - half), min(1.0, centre + half)
    if measure.bad_when_high:
        rare = count > 0 and special.bdtrc(count - 1, n, centre) < CHANCE
        return centre, lower, upper, bool(count / n > upper and rare)
    return centre, lower, upper, bool(count / n < lower and special.bdtr(count, n, centre) < CHANCE)


def _notice(measure: _Measure, row: object, site: str | None) -> str:
    where = f"{site}, w" if site else "W"
    week = f"{row.week:%Y-%m-%d}"  # type: ignore[attr-defined]
    share = f"{row.count} of {row.n}"  # type: ignore[attr-defined]
    return f"{where}eek of {week}: {measure.words[0].upper()}{measure.words[1:]} ({measure.name}: {share})"
