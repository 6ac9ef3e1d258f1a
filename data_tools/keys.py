"""One normal form for keys and names that people, labels and files write in their own ways.

Phones and some systems write accents apart from their letters (NFD), word processors make longer dashes of
"-", and upper and lower case differ from hand to hand: all of that names the same unit."""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from collections.abc import Iterable

# Hyphens and dashes of Unicode's General Punctuation, the minus sign, and the small and full-width hyphens.
_DASHES = dict.fromkeys([*range(0x2010, 0x2016), 0x2212, 0xFE58, 0xFE63, 0xFF0D], "-")
_JOINERS = "\N{ZERO WIDTH NON-JOINER}\N{ZERO WIDTH JOINER}"


def tidy_key(text: str) -> str:
    """Return ``text`` as a key is kept: accents composed (NFC), every dash as "-", without marks that do not
    print and without white space around it. Upper and lower case stay."""
    seen = "".join(c for c in text.translate(_DASHES) if unicodedata.category(c) != "Cf")
    return unicodedata.normalize("NFC", seen).strip()


def folded_key(text: str) -> str:
    """Return the form by which keys are compared: two keys are one where their folded forms are equal.

    It is Unicode's canonical caseless form of ``tidy_key``, composed; it can be longer than the key.
    """
    apart = unicodedata.normalize("NFD", tidy_key(text))
    return unicodedata.normalize("NFC", apart.casefold())


def tidy_name(text: str) -> str:
    """Return a person's name composed (NFC) on one line, without characters that do not print."""
    seen = "".join(c for c in text if unicodedata.category(c) != "Cf" or c in _JOINERS)
    line = "".join(c if c.isprintable() or c in _JOINERS else " " for c in seen)
    return " ".join(unicodedata.normalize("NFC", line).split())


def clean_text(text: str, limit: int) -> str:
    """Return ``text`` without control characters (PostgreSQL refuses NUL), cut to ``limit``."""
    visible = "".join(c if c.isprintable() or c == "\n" else " " for c in text)
    return visible.encode("utf-8", "replace").decode("utf-8").strip()[:limit]


class KnownKeys:
    """The keys there are. An older store may hold two that are alike: only an exact one names one of them."""

    def __init__(self, keys: Iterable[str]) -> None:
        self._alike: dict[str, list[str]] = defaultdict(list)
        for key in keys:
            self._alike[folded_key(key)].append(key)

    def get(self, text: str) -> str | None:
        """Return the one key that ``text`` names, or ``None``."""
        alike = self._alike.get(folded_key(text), [])
        if len(alike) == 1:
            return alike[0]
        return next((key for key in alike if key == text or key == tidy_key(text)), None)

    def folded(self) -> Iterable[str]:
        """Return the folded forms of all keys."""
        return self._alike.keys()

    def twins(self) -> dict[str, str]:
        """Return each key that is like another one, with that other (the last of several)."""
        groups = [keys for keys in self._alike.values() if len(keys) > 1]
        return {key: next(k for k in reversed(keys) if k != key) for keys in groups for key in keys}
