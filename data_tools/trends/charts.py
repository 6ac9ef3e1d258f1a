"""Does a site have more new damage than chance gives? Control charts, with the rules stated."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special, stats

from data_tools.statistics import ControlChart, Rule, laney_p_chart
from data_tools.trends.frames import (
    MIN_COUPLER_WEEKS,
    MIN_WEEKS,
    Figure,
    TrendData,
    not_enough,
    words_for,
)
from model.vocabulary import FindingKind

CHANCE = 0.00135
"""One-sided tail of a normal beyond three standard deviations: how rare a point must be to be flagged."""
FLAG_RULE = (
    "Flagged: above the upper limit (three standard deviations, widened by sigma_z where weeks vary more "
    f"than chance) and, because counts are small, also with an exact binomial probability below {CHANCE:.5f}."
)

SITES_RULE = (
    "Flagged: above three standard deviations over the rate of the other sites, and with a probability below "
    f"{CHANCE:.5f} in Fisher's exact test of the site against the others."
)


def site_over_weeks(data: TrendData, site: str, kind: FindingKind | None = None) -> Figure:
    """Return the p'-chart (Laney) of newly found damage at one site, week by week.

    Counted are couplers that were seen undamaged before; a coupler leaves the count with its first damage.
    Table: ``week``, ``new``, ``n``, ``rate``, ``centre``, ``lower``, ``upper``, ``p_value``, ``flagged``.
    """
    weeks = data.coupler_weeks(kind)
    at_site = weeks[(weeks["site"] == site) & weeks["at_risk"]]
    counts = at_site.groupby("week", sort=True).agg(new=("new", "sum"), n=("new", "size")).astype("int64")
    counts = _every_week(counts).reset_index(names="week")
    seen = int((counts["n"] > 0).sum())
    name = data.called(site)
    title = f"New {words_for(kind)} at {name}, week by week"
    counted = f"couplers seen in the week that were undamaged before. {FLAG_RULE}"
    lacking = not_enough(seen, MIN_WEEKS, "weeks with photos")
    if lacking:
        return Figure(title, counts, int(counts["n"].sum()), counted, lacking)
    table = _charted(counts, laney_p_chart(counts["new"], counts["n"], [Rule.BEYOND_LIMITS]))
    notices = tuple(
        f"At {name}, week of {row.week:%Y-%m-%d}: {row.new} of {row.n} couplers newly damaged, more than "
        f"chance gives at the site's usual {row.centre:.1%}. Look at what happened there that week."
        for row in table[table["flagged"]].itertuples()
    )
    return Figure(title, table, int(table["n"].sum()), counted, "", notices)


def sites_compared(data: TrendData, kind: FindingKind | None = None) -> Figure:
    """Return the chart of each site's newly found damage against the rate of all the other sites.

    The site itself stays out of its own centre line: with few sites a bad one would hide in limits that it
    helped to draw. Table: ``site``, ``new``, ``n`` (coupler-weeks), ``rate``, ``centre`` (of the others),
    ``lower``, ``upper``, ``p_value``, ``flagged``. A site with fewer coupler-weeks than needed is listed
    with no rate and never flagged.
    """
    weeks = data.coupler_weeks(kind)
    at_risk = weeks[weeks["at_risk"]]
    counts = at_risk.groupby("site", sort=True).agg(new=("new", "sum"), n=("new", "size")).astype("int64")
    counts = counts.reset_index(names="site")
    title, counted = f"New {words_for(kind)} by site against the other sites", f"coupler-weeks. {SITES_RULE}"
    ready = counts["n"] >= MIN_COUPLER_WEEKS
    lacking = not_enough(int(ready.sum()), 2, f"sites with {MIN_COUPLER_WEEKS} coupler-weeks or more")
    if lacking:
        return Figure(title, counts, int(counts["n"].sum()), counted, lacking)
    table = _against_the_others(counts, ready.to_numpy())
    notices = tuple(
        f"At {data.called(str(row.site))}: {row.new} newly damaged in {row.n} coupler-weeks "
        f"({row.rate:.2%}), more than chance gives at the rate of the other sites ({row.centre:.2%}). Look "
        "for a cause there: use, weather, wiring, parts."
        for row in table[table["flagged"]].itertuples()
    )
    return Figure(title, table, int(table["n"].sum()), counted, "", notices)


def _against_the_others(counts: pd.DataFrame, ready: NDArray[np.bool_]) -> pd.DataFrame:
    new, n = counts["new"].to_numpy(np.int64), counts["n"].to_numpy(np.int64)
    centre = (new.sum() - new) / np.maximum(n.sum() - n, 1)
    half = 3 * np.sqrt(centre * (1 - centre) / n)
    upper = np.minimum(centre + half, 1.0)
    tail = stats.hypergeom.sf(new - 1, n.sum(), new.sum(), n)
    return counts.assign(
        rate=np.where(ready, new / n, np.nan),
        centre=centre,
        lower=np.maximum(centre - half, 0.0),
        upper=upper,
        p_value=tail,
        flagged=ready & (new / n > upper) & (tail < CHANCE),
    )


def beyond_chance(
    count: NDArray[np.int64] | pd.Series, n: NDArray[np.int64] | pd.Series, chart: ControlChart
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the exact binomial probability of so many or more at each point, and which are flagged high.

    Normal limits alone cry wolf when the expected count is below one or two: hence both conditions.
    """
    hits, sizes = np.asarray(count, np.int64), np.asarray(n, np.int64)
    tail = np.ones(hits.shape)
    some = hits > 0
    tail[some] = special.bdtrc(hits[some] - 1, sizes[some], chart.centre)
    above = np.zeros(hits.shape, np.bool_)
    np.greater(chart.values, chart.upper, out=above, where=sizes > 0)
    return tail, above & (tail < CHANCE)


def _charted(counts: pd.DataFrame, chart: ControlChart) -> pd.DataFrame:
    tail, flagged = beyond_chance(counts["new"], counts["n"], chart)
    return counts.assign(
        rate=chart.values,
        centre=chart.centre,
        lower=chart.lower,
        upper=chart.upper,
        sigma_z=chart.sigma_z,
        p_value=tail,
        flagged=flagged,
    )


def _every_week(counts: pd.DataFrame) -> pd.DataFrame:
    """Fill in the weeks without photos, so that a gap is seen as a gap."""
    if counts.empty:
        return counts
    every = pd.date_range(counts.index.min(), counts.index.max(), freq="7D")
    return counts.reindex(every, fill_value=0)
