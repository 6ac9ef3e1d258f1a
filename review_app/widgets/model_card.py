"""What a model file says of itself, as a table: every share with its interval and n."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from review_app.wording import MEASURE_WORDS, sentence, value_words

_INTERVAL = ("low", "high", "n")


def card_facts(card: object) -> dict[str, str]:
    """Return the plain facts of a model card: version, when it was made, from how many photos."""
    names = {
        "version": "version",
        "trained_on": "trained on (photos)",
        "made_at": "made at (UTC)",
        "parent": "made from",
        "data_hash": "training set",
    }
    facts = {words: str(getattr(card, name, "") or "") for name, words in names.items()}
    return {sentence(words): value for words, value in facts.items() if value}


def card_table(card: object) -> pd.DataFrame:
    """Return the measures of a model card: ``of``, ``measure``, ``share``, ``low``, ``high``, ``n``."""
    metrics = getattr(card, "metrics", {}) or {}
    measured = metrics.get("test", metrics) if isinstance(metrics, Mapping) else {}
    rows = list(_rows(measured, ()))
    return pd.DataFrame(rows, columns=["of", "measure", "share", "low", "high", "n"])


def _rows(values: Mapping[str, Any], path: tuple[str, ...]) -> Iterator[tuple[Any, ...]]:
    for name, value in values.items():
        if not isinstance(value, Mapping):
            continue
        here = (*path, str(name))
        if all(key in value for key in _INTERVAL) and ("estimate" in value or "value" in value):
            share = value.get("estimate", value.get("value"))
            yield (_of(here), _measure(here), share, value["low"], value["high"], value["n"])
        else:
            yield from _rows(value, here)


def _of(path: tuple[str, ...]) -> str:
    named = [str(value_words(part)) for part in path[:-1] if value_words(part) != part]
    return sentence(named[0]) if named else "All photos"


def _measure(path: tuple[str, ...]) -> str:
    if len(path) > 1 and path[-2] in MEASURE_WORDS:
        return f"{MEASURE_WORDS[path[-2]]} {path[-1]}"
    return MEASURE_WORDS.get(path[-1], path[-1].replace("_", " "))
