"""Do people agree with the model, and with each other? And what do clear verdicts miss?"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd

from data_tools.statistics import Kappa, kappa_of_pairs, upper_bound
from data_tools.trends.frames import (
    CONFIDENCE,
    LABELS,
    MIN_AUDITED,
    MIN_READ_TWICE,
    Figure,
    TrendData,
    has_kind,
    labels_of,
    not_enough,
)
from model.metrics import clopper_pearson
from model.vocabulary import FindingKind, Triage

_YES_NO = ("damaged", "intact")
_KAPPA_COLUMNS = ["about", "n", "agreed", "kappa", "low", "high", "enough", "needed"]


def technician_and_model(data: TrendData) -> Figure:
    """Return the agreement of what people decided with what the model said, on photos that both judged.

    One row for the summary label, for any damage and for each kind: ``about``, ``n``, ``agreed`` (share),
    ``kappa``, ``low``, ``high`` (95 %), ``enough``, ``needed``. Photos reach a person mostly because they
    were flagged, so this is not the model's accuracy over all photos.
    """
    photos = data.photos
    both = photos[photos["decided"] & (photos["kinds"] >= 0) & (photos["model_kinds"] >= 0)]
    rows = [_row("label", kappa_of_pairs(*_labels(both["kinds"], both["model_kinds"]), LABELS))]
    for kind in (None, *FindingKind):
        words = [
            np.where(has_kind(both, kind, column), *_YES_NO).tolist() for column in ("kinds", "model_kinds")
        ]
        name = kind.value if kind else "any damage"
        rows.append(_row(name, kappa_of_pairs(words[0], words[1], _YES_NO)))
    counted = (
        "photos that a person decided and the model judged; mostly those that were flagged, so this is not "
        "the model's accuracy over all photos"
    )
    lacking = not_enough(len(both), MIN_READ_TWICE, "decided photos")
    table = pd.DataFrame(rows, columns=_KAPPA_COLUMNS)
    return Figure("Agreement of people with the model", table, len(both), counted, lacking)


def technicians(data: TrendData) -> Figure:
    """Return the agreement of each two people on the label of the photos that both decided.

    Table: ``about`` (the two names), ``n``, ``agreed``, ``kappa``, ``low``, ``high``, ``enough``, ``needed``.
    Of several decisions of one person on a photo the last counts.
    """
    decided = data.decisions[data.decisions["kinds"] >= 0].sort_values("decided_at")
    decided = decided.drop_duplicates(["photo_id", "decided_by"], keep="last")
    twice = decided[decided.duplicated("photo_id", keep=False)]
    rows = []
    for first, second in combinations(sorted(twice["decided_by"].unique()), 2):
        pair = _read_by_both(twice, first, second)
        if len(pair):
            agreement = kappa_of_pairs(*_labels(pair["kinds_x"], pair["kinds_y"]), LABELS)
            rows.append(_row(f"{first} and {second}", agreement))
    table = pd.DataFrame(rows, columns=_KAPPA_COLUMNS)
    most = int(table["n"].max()) if len(table) else 0
    lacking = not_enough(most, MIN_READ_TWICE, "photos decided by the same two people")
    counted = "photos decided by both"
    return Figure("Agreement between technicians", table, twice["photo_id"].nunique(), counted, lacking)


def miss_rate(data: TrendData) -> Figure:
    """Return the estimated share of clear verdicts that hide damage, from the blind audit.

    Clear verdicts are drawn at random into the queue, unmarked; a miss is one in which a person found
    damage. One row for any damage and for each kind: ``about``, ``missed``, ``n``, ``rate``, ``low``,
    ``high`` (exact two-sided 95 %), ``at_most`` (exact one-sided 95 %: the rate is below it), ``clear`` (all
    clear verdicts) and ``hidden_at_most`` (damages among them at the upper bound).
    """
    photos = data.photos
    clear = photos[photos["triage"] == Triage.CLEAR.value]
    audited = clear[clear["blind_audit"] & clear["decided"] & (clear["kinds"] >= 0)]
    rows = []
    for kind in (None, *FindingKind):
        missed = clopper_pearson(int(has_kind(audited, kind).sum()), len(audited), CONFIDENCE)
        bound = upper_bound(missed.count, missed.n, CONFIDENCE)
        hidden = None if bound is None else int(np.floor(bound * len(clear)))
        name = kind.value if kind else "any damage"
        rows.append(
            (
                name,
                missed.count,
                missed.n,
                missed.estimate,
                missed.low,
                missed.high,
                bound,
                len(clear),
                hidden,
            )
        )
    columns = ["about", "missed", "n", "rate", "low", "high", "at_most", "clear", "hidden_at_most"]
    table = pd.DataFrame(rows, columns=columns)
    lacking = not_enough(len(audited), MIN_AUDITED, "audited clear verdicts")
    if lacking:
        table[["rate", "low", "high", "at_most", "hidden_at_most"]] = np.nan
    counted = "clear verdicts drawn at random into the queue and decided by a person, whose word is the truth"
    words = "" if lacking else _words(table.iloc[0])
    notices = (f"{words} Look at each one, and retrain.",) if words and table["missed"].iloc[0] else ()
    counted = f"{counted}. {words}" if words else counted
    return Figure("Miss rate of clear verdicts", table, len(audited), counted, lacking, notices)


def _words(top: pd.Series) -> str:
    return (
        f"{int(top['missed'])} of {int(top['n'])} audited clear verdicts hid damage: with 95 % confidence "
        f"fewer than {top['at_most']:.1%} of clear verdicts do."
    )


def _labels(first: pd.Series, second: pd.Series) -> tuple[list[str], list[str]]:
    return labels_of(first).tolist(), labels_of(second).tolist()


def _read_by_both(twice: pd.DataFrame, first: str, second: str) -> pd.DataFrame:
    left = twice.loc[twice["decided_by"] == first, ["photo_id", "kinds"]]
    right = twice.loc[twice["decided_by"] == second, ["photo_id", "kinds"]]
    return left.merge(right, on="photo_id")


def _row(about: str, found: Kappa) -> tuple[object, ...]:
    enough = found.n >= MIN_READ_TWICE
    figures = (found.observed, found.value, found.low, found.high) if enough else (None,) * 4
    return (about, found.n, *figures, enough, max(MIN_READ_TWICE - found.n, 0))
