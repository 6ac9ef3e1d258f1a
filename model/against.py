"""Ours beside the plain way (``model.baseline``), on the same photos, at the same share of false alarms.

The baseline has no limits of its own. For each damage its limit is chosen on its calibration photos, never
on those evaluated, so that as many intact ones reach it as ours flags for that damage; then both are asked
whether they find each visible damage, and McNemar's exact test tells whether the difference may be chance.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from model.baseline import PlainScore
from model.errors import ManifestError
from model.metrics import auroc_score, discordant, mcnemar_exact, proportion
from model.predict import Classifier
from model.scorebook import SEVERE_FROM, Scored
from model.vocabulary import FindingKind, Triage

CALIBRATION = "calibration"


def matched_limit(intact_scores: ArrayLike, rate: float) -> float:
    """Return the limit that the share ``rate`` (nearest count) of ``intact_scores`` lies above."""
    falling = np.sort(np.asarray(intact_scores, np.float64))[::-1]
    return float(falling[min(round(rate * len(falling)), len(falling) - 1)])


def against(classifier: Classifier, book: Sequence[Scored], scores: Sequence[PlainScore]) -> dict[str, Any]:
    """Compare ours with the baseline's answers on the photos of ``book`` that both have seen.

    A photo that ours refuses counts as not found: the baseline refuses none. ``only_ours`` and
    ``only_plain`` are the damages that one of the two alone found, ``p`` is two-sided.

    Raises:
        ManifestError: no calibration photos among the baseline's answers, no photo in common, or answers on
            photos of another set that are named alike.
    """
    calibration = [s for s in scores if s.split == CALIBRATION and s.intact]
    others = [s for s in scores if s.split != CALIBRATION]
    by_file = {s.file: s for s in others}
    pairs = [(s, by_file[s.label.file]) for s in book if s.good and s.label.file in by_file]
    if not calibration or not pairs:
        raise ManifestError(
            "a baseline's answers for intact calibration photos and for the photos evaluated",
            f"{len(calibration)} and {len(pairs)}",
            "Score it on both splits (python -m model.baseline --split calibration --split test).",
        )
    _refuse_other_photos(pairs, Counter(s.file for s in others))
    rows = {kind.value: _compare_kind(classifier, pairs, calibration, kind) for kind in FindingKind}
    return {"photos": len(pairs), "calibrated_on_intact": len(calibration), "kinds": rows}


def _refuse_other_photos(pairs: Sequence[tuple[Scored, PlainScore]], times: Counter[str]) -> None:
    for ours, plain in pairs:
        file, unlike = plain.file, plain.intact == bool(ours.label.findings)
        if unlike or times[file] > 1:
            raise ManifestError(
                "a baseline's answers on the photos evaluated",
                f"{file} twice" if times[file] > 1 else f"those on another {file}, by its label",
                "Name the answers on this set alone (and those on calibration photos).",
            )


def _compare_kind(
    classifier: Classifier,
    pairs: list[tuple[Scored, PlainScore]],
    calibration: list[PlainScore],
    kind: FindingKind,
) -> dict[str, Any]:
    intact = [(ours, plain) for ours, plain in pairs if not ours.label.findings]
    false_alarms = proportion(ours.answer(classifier, kind) is Triage.FLAG for ours, _ in intact)
    limit = matched_limit([s.probabilities[kind] for s in calibration], false_alarms["estimate"] or 0.0)
    damaged = [pair for pair in pairs if pair[0].visible_findings(kind, SEVERE_FROM)]
    ours_found = [ours.answer(classifier, kind) is Triage.FLAG for ours, _ in damaged]
    plain_found = [plain.probabilities[kind] > limit for _, plain in damaged]
    only_ours, only_plain = discordant(ours_found, plain_found)
    known = [(ours.truth(kind), plain.probabilities[kind]) for ours, plain in pairs]
    area = auroc_score([bool(t) for t, _ in known if t is not None], [p for t, p in known if t is not None])
    return {
        "ours": proportion(ours_found),
        "plain": proportion(plain_found),
        "ours_intact_flagged": false_alarms,
        "plain_intact_flagged": proportion(plain.probabilities[kind] > limit for _, plain in intact),
        "plain_limit": limit,
        "plain_auroc": {"value": area.value, "low": area.low, "high": area.high, "n": area.n},
        "only_ours": only_ours,
        "only_plain": only_plain,
        "p": mcnemar_exact(only_ours, only_plain),
    }
