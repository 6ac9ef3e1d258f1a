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
_ANY = "any damage"
_ANY_BY = f"{_ANY}, by version "
_KAPPA_COLUMNS = ["about", "n", "agreed", "kappa", "low", "high", "enough", "needed"]


def heard_verdicts(data: TrendData) -> pd.DataFrame:
    """Return the rows of ``data.decisions`` with the last word on each verdict that people decided on, where
    both could judge the photo. Judging photos again changes none of them: a person is held against the
    verdict that they saw.
    """
    last = data.decisions.drop_duplicates("verdict_id", keep="last")
    return last[(last["kinds"] >= 0) & (last["model_kinds"] >= 0)]


def technician_and_model(data: TrendData) -> Figure:
    """Return the agreement of what people decided with what the verdict that they saw had said.

    One row for the summary label, for any damage and for each kind, then one for any damage by each model
    version: ``about``, ``n`` (verdicts), ``agreed`` (share), ``kappa``, ``low``, ``high`` (95 %), ``enough``,
    ``needed``. Photos reach a person mostly because they were flagged, so this is not the model's accuracy
    over all photos.
    """
    both = heard_verdicts(data)
    rows = [_row("label", kappa_of_pairs(*_labels(both["kinds"], both["model_kinds"]), LABELS))]
    rows += [_row(_about(kind), _yes_or_no(both, kind)) for kind in (None, *FindingKind)]
    rows += [_row(_about(version=name), _yes_or_no(those)) for name, those in _by_version(both)]
    counted = (
        "verdicts that a person decided on and both could judge; mostly flagged ones, so this is not the "
        "model's accuracy over all photos"
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

    Clear verdicts are drawn at random into the queue, unmarked; audited is the one that a person then decided
    on first, whatever was judged or decided later. It is a miss where the photo stands as damaged, also while
    people differ; it is left out while a question to others is open. One row
    for any damage and for each kind, then one for any damage by each model version: ``about``, ``missed``,
    ``n``, ``rate``, ``low``, ``high`` (exact two-sided 95 %), ``at_most`` (exact one-sided 95 %: the rate is
    below it), ``clear`` (photos whose verdict is clear now) and ``hidden_at_most`` (damages among them at
    the upper bound).
    """
    audited, clear = _audited(data), data.photos[data.photos["triage"] == Triage.CLEAR.value]
    rows = [_missed(_about(kind), audited, kind, len(clear)) for kind in (None, *FindingKind)]
    rows += [
        _missed(_about(version=name), those, None, int((clear["model_version"] == name).sum()))
        for name, those in _by_version(audited)
    ]
    table = pd.DataFrame(rows)
    thin = table["n"] < MIN_AUDITED
    table.loc[thin, ["rate", "low", "high", "at_most", "hidden_at_most"]] = np.nan
    lacking = not_enough(len(audited), MIN_AUDITED, "audited clear verdicts")
    counted = "clear verdicts drawn at random into the queue and decided by a person, whose word is the truth"
    words = "" if lacking else _words(table)
    notices = (f"{words} Look at each one, and retrain.",) if words and table["missed"].iloc[0] else ()
    counted = f"{counted}. {words}" if words else counted
    return Figure("Miss rate of clear verdicts", table, len(audited), counted, lacking, notices)


def _audited(data: TrendData) -> pd.DataFrame:
    """One row a photo of the audit: the clear verdict that was decided on first, and what stands now.

    Later verdicts were given by versions that may have learnt the photo, and later decisions made by people
    who knew of it: both are no audit.
    """
    first = data.decisions.drop_duplicates("photo_id", keep="first")
    first = first[first["triage"] == Triage.CLEAR.value]
    photos = data.photos
    told = (photos["kinds"] > 0) | (
        photos["decided"] & (photos["kinds"] == 0)
    )  # an open question is no answer
    drawn = photos.loc[photos["blind_audit"] & told, ["photo_id", "kinds"]]
    return first[["photo_id", "model_version"]].merge(drawn, on="photo_id")


def _missed(about: str, audited: pd.DataFrame, kind: FindingKind | None, clear: int) -> dict[str, object]:
    missed = clopper_pearson(int(has_kind(audited, kind).sum()), len(audited), CONFIDENCE)
    bound = upper_bound(missed.count, missed.n, CONFIDENCE)
    return {
        "about": about,
        "missed": missed.count,
        "n": missed.n,
        "rate": missed.estimate,
        "low": missed.low,
        "high": missed.high,
        "at_most": bound,
        "clear": clear,
        "hidden_at_most": None if bound is None else int(np.floor(bound * clear)),
    }


def _words(table: pd.DataFrame) -> str:
    top, versions = table.iloc[0], table.iloc[1 + len(FindingKind) :]
    words = (
        f"{int(top['missed'])} of {int(top['n'])} audited clear verdicts hid damage: with 95 % confidence "
        f"fewer than {top['at_most']:.1%} of clear verdicts do."
    )
    if len(versions) < 2:
        return words
    each = (f"{row.about.removeprefix(_ANY_BY)} {row.missed} of {row.n}" for row in versions.itertuples())
    return f"{words} By model version: {', '.join(each)}."


def _about(kind: FindingKind | None = None, *, version: str = "") -> str:
    if version:
        return f"{_ANY_BY}{version}"
    return kind.value if kind else _ANY


def _by_version(rows: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """The rows of each model version, in the order in which people first decided on one."""
    return [(str(name), those) for name, those in rows.groupby("model_version", sort=False, observed=True)]


def _yes_or_no(both: pd.DataFrame, kind: FindingKind | None = None) -> Kappa:
    person, model = (
        np.where(has_kind(both, kind, column), *_YES_NO).tolist() for column in ("kinds", "model_kinds")
    )
    return kappa_of_pairs(person, model, _YES_NO)


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
