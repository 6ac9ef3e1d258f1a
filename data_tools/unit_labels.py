"""Which unit does a photo show? From the code label in the photo, or from the file name.

Code label: a QR code or Data Matrix (ISO/IEC 18004, ISO/IEC 16022) beside the coupler whose text is the
unit key, ``unit=KEY`` (optionally ``&position=B``), or a URL that ends in ``/KEY`` or has ``unit=KEY`` in
its query.

File name: the unit key at the start, followed by ``_``, a space, ``-`` and a digit, a dot or the end;
after the key may come ``__`` and the coupler's position. Keys are compared by ``keys.folded_key`` (upper and
lower case, dashes and ways to write an accent are alike); the longest known key wins. So
``P3-07_evening.jpg``, ``p3-07-2.heic``, ``P3-07.jpg`` and ``P3-07__B_close.jpg`` are photos of unit
``P3-07``. Where more of the name has the form of another known key, the unit it names may not have been
entered yet: beside ``P4`` and ``P3-07``, ``P4-07.jpg`` is nobody's."""

from __future__ import annotations

import re
from dataclasses import dataclass
from urllib.parse import parse_qs, unquote, urlsplit
from weakref import WeakKeyDictionary

import numpy as np
import zxingcpp
from numpy.typing import NDArray

from data_tools.keys import KnownKeys, folded_key, tidy_key

_AFTER_KEY = re.compile(r"(?:__\s*(?P<position>[^_\s.]{1,40}?))?(?:_|\s|-\d|\.|$)", re.IGNORECASE)
_LIKE_A_KEY, _RUN = re.compile(r"[\w\-]+"), re.compile(r"\d+|[^\W\d_]+")
_DIGITS, _LETTERS = re.compile(r"\d+"), re.compile(r"[^\W\d_]+")
_FORMATS = zxingcpp.BarcodeFormats(
    [zxingcpp.BarcodeFormat.QRCode, zxingcpp.BarcodeFormat.MicroQRCode, zxingcpp.BarcodeFormat.DataMatrix]
)
MAX_TEXT = 500
_FORMS: WeakKeyDictionary[KnownKeys, frozenset[str]] = WeakKeyDictionary()
_LONGEST = 120
"""Characters of a name that a key of 40 can take: a folded character stands for up to three."""


@dataclass(frozen=True)
class UnitHint:
    """A unit key found in a photo or a name, and the coupler's position where it was stated."""

    unit_key: str
    position: str | None = None


def unit_from_photo(rgb: NDArray[np.uint8], known: KnownKeys) -> UnitHint | None:
    """Read code labels in ``rgb`` (uint8, H x W x 3) and return the one known unit they name.

    ``None`` where no label names a known unit, or labels of two units, or of two of its couplers, are there.
    """
    hints = [hint for text in _texts(rgb) if (hint := unit_from_text(text, known)) is not None]
    positions = {folded_key(hint.position): hint.position for hint in hints if hint.position}
    if len({hint.unit_key for hint in hints}) != 1 or len(positions) > 1:
        return None
    return UnitHint(hints[0].unit_key, next(iter(positions.values()), None))


def _texts(rgb: NDArray[np.uint8]) -> list[str]:
    return [code.text[:MAX_TEXT] for code in zxingcpp.read_barcodes(rgb, formats=_FORMATS) if code.text]


def unit_from_text(text: str, known: KnownKeys) -> UnitHint | None:
    """Return the known unit that a label's text names."""
    text = text.strip()
    try:
        url = urlsplit(text)
        query = parse_qs(url.query or text)
    except ValueError:
        return _hint(text, None, known)
    position = query.get("position", [None])[0]
    named = query.get("unit", [""])[0]
    last_step = unquote(url.path.rstrip("/").rpartition("/")[2]) if url.scheme else ""
    for candidate in (named, last_step, text):
        if hint := _hint(candidate, position, known):
            return hint
    return None


def _hint(candidate: str, position: str | None, known: KnownKeys) -> UnitHint | None:
    key = known.get(candidate)
    return UnitHint(key, position) if key is not None else None


def unit_from_file_name(name: str, known: KnownKeys) -> UnitHint | None:
    """Return the known unit whose key starts the file name, by the pattern in this module's docstring."""
    name = tidy_key(name)
    # Each start is folded by itself: folding changes the length, so its places are not those of the name.
    for length in range(min(len(name), _LONGEST), 0, -1):
        match = _AFTER_KEY.match(name, length)
        key = known.get(name[:length]) if match else None
        if match and key is not None:
            longer = {_form(folded_key(name[:end])) for end in _ends(name) if end > length}
            return None if not longer.isdisjoint(_forms(known)) else UnitHint(key, match["position"])
    return None


def _forms(known: KnownKeys) -> frozenset[str]:
    """Return the forms of all known keys, worked out once: thousands of names are held against them."""
    if known not in _FORMS:
        _FORMS[known] = frozenset(map(_form, known.folded()))
    return _FORMS[known]


def _ends(name: str) -> list[int]:
    """Return where each run of letters or digits ends, up to a dot or what no key holds."""
    key = _LIKE_A_KEY.match(name)
    return [run.end() for run in _RUN.finditer(key[0])] if key else []


def _form(text: str) -> str:
    """Return ``text`` with each run of digits as 9 and each run of letters as a: P3-07 becomes a9-9."""
    return _LETTERS.sub("a", _DIGITS.sub("9", text))
