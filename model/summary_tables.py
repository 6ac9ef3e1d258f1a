"""The one label said against the true one: confusion, and how often the surest answers are wrong.

Risk against coverage as in El-Yaniv and Wiener 2010 (JMLR 11:1605; cited from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from model.metrics import confusion_counts, proportion, risk_coverage, risk_coverage_loss
from model.scorebook import Scored
from model.vocabulary import LABEL_OF_KIND, FindingKind, Label, Triage, summary_label

BARELY = "damage barely visible"
UNUSABLE = "unusable photo of a face"
STRANGER = "no coupler face"
UNSURE = "unsure"
REFUSED = "cannot judge"
TRUE_ROWS = (*(label.value for label in Label), BARELY, UNUSABLE, STRANGER)
SAID_COLUMNS = (*(label.value for label in Label), UNSURE, REFUSED)
CURVE_POINTS = 200
COVERAGES = (0.8, 0.9, 1.0)


def true_label(scored: Scored) -> str:
    """Return the row of the confusion table: the gravest visible damage, or why there is none to name."""
    if not scored.good:
        return STRANGER if scored.label.family is None else UNUSABLE
    visible = {kind for kind in FindingKind if scored.truth(kind)}
    if not visible and scored.label.findings:
        return BARELY
    return summary_label(visible).value


def said_label(scored: Scored) -> str:
    """Return the column of the confusion table: the label said, ``unsure``, or ``cannot judge``."""
    if not scored.scored or scored.judgement.label is None:
        return REFUSED
    return UNSURE if scored.judgement.triage is Triage.UNSURE else scored.judgement.label.value


def confusion(book: Sequence[Scored]) -> dict[str, Any]:
    """Return counts, rows the true label and columns the said one, with both lists of names."""
    labels = list(dict.fromkeys((*TRUE_ROWS, *SAID_COLUMNS)))
    table = confusion_counts([true_label(s) for s in book], [said_label(s) for s in book], labels)
    rows, columns = ([labels.index(name) for name in names] for names in (TRUE_ROWS, SAID_COLUMNS))
    counts = table[np.ix_(rows, columns)].tolist()
    return {"rows": list(TRUE_ROWS), "columns": list(SAID_COLUMNS), "counts": counts}


def confidence_of(scored: Scored) -> float:
    """Return how sure the said label is, 0..1: the damage's probability, for intact that of no damage."""
    for kind, label in LABEL_OF_KIND.items():
        if label is scored.judgement.label:
            return scored.judgement.probabilities[kind]
    return 1 - max(scored.judgement.probabilities.values())


def risk_coverage_table(good: Sequence[Scored]) -> dict[str, Any]:
    """Return the risk-coverage curve, its area, and the risk at some coverages.

    Risk is the share of wrong labels among the surest answers. Of photos to be judged unsure the label is
    taken that would have been said. Photos whose damage is barely visible have no true label: left out.
    """
    judged = [s for s in good if s.scored and true_label(s) != BARELY]
    wrong = np.array([s.judgement.label != true_label(s) for s in judged], bool)
    sure = np.array([confidence_of(s) for s in judged])
    curve = risk_coverage(sure, wrong)
    last = len(curve.coverage) - 1
    kept = sorted({round(at) for at in np.linspace(0, last, CURVE_POINTS)} if curve.n else ())
    order = np.argsort(-sure, kind="stable")
    decided = np.array([s.judgement.triage is not Triage.UNSURE for s in judged], bool)
    return {
        "n": curve.n,
        "area": risk_coverage_loss(curve),
        "coverage": [float(curve.coverage[i]) for i in kept],
        "risk": [float(curve.risk[i]) for i in kept],
        "wrong_at": {
            f"{share:.0%}": proportion(wrong[order[: round(share * len(wrong))]]) for share in COVERAGES
        },
        "decided": proportion(decided),
        "wrong_of_decided": proportion(wrong[decided]),
    }
