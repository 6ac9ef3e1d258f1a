"""CSV that a spreadsheet cannot be tricked with.

A cell whose text starts with ``=``, ``+``, ``-``, ``@``, a tab or a line end would be run as a formula
when opened. Such text gets an apostrophe in front (numbers are left alone); reading our files takes it
away again."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from model.errors import BadRequestError

if TYPE_CHECKING:  # the command line loads pandas only for the commands that need it
    import pandas as pd

DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "\n")
MAX_ROWS = 100_000


def safe_cell(value: Any) -> str:
    """Return ``value`` as CSV text; text that a spreadsheet would run is neutralised."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat(timespec="seconds")
    if isinstance(value, bool | int | float):
        return str(value)
    text = str(value)
    return f"'{text}" if text.lstrip(" ").startswith(DANGEROUS) or text.startswith("'") else text


def plain_text(cell: str) -> str:
    """Undo ``safe_cell``."""
    inner = cell[1:]
    neutralised = cell.startswith("'") and (inner.lstrip(" ").startswith(DANGEROUS) or inner.startswith("'"))
    return inner if neutralised else cell


def csv_bytes(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    """Return a CSV document with every cell neutralised, in UTF-8 with a byte-order mark: by it spreadsheets
    know the letters."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer)
    writer.writerow([safe_cell(name) for name in header])
    writer.writerows([safe_cell(value) for value in row] for row in rows)
    return buffer.getvalue().encode("utf-8-sig")


def table_csv(table: pd.DataFrame) -> bytes:
    """Return ``table`` as ``csv_bytes`` does; what is missing is an empty cell."""
    rows = table.astype(object).where(table.notna(), None).itertuples(index=False, name=None)
    return csv_bytes([str(name) for name in table.columns], rows)


def read_csv(path: Path, required: Sequence[str]) -> list[Mapping[str, str]]:
    """Read a CSV file with a header; comma, semicolon and tab are told apart.

    Raises:
        BadRequestError: unreadable, not UTF-8, a missing column, or more than ``MAX_ROWS`` rows.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise BadRequestError(f"a UTF-8 CSV file at {path}", str(error), "Save it as CSV UTF-8.") from error
    first = text.partition("\n")[0]
    delimiter = max(",;\t", key=first.count)
    try:
        rows = list(csv.DictReader(io.StringIO(text), delimiter=delimiter, restkey="", restval=""))
    except csv.Error as error:
        raise BadRequestError(f"a CSV file at {path}", str(error), "Save it as CSV UTF-8.") from error
    names = [name.strip().lower() for name in first.strip("\r\n").replace('"', "").split(delimiter)]
    missing = [name for name in required if name not in names]
    if missing:
        raise BadRequestError(f"the columns {', '.join(required)}", f"no {', '.join(missing)}", "Add them.")
    if len(rows) > MAX_ROWS:
        raise BadRequestError(f"at most {MAX_ROWS} rows", f"{len(rows)}", "Send it in parts.")
    return [_cleaned(row) for row in rows]


def _cleaned(row: Mapping[Any, Any]) -> dict[str, str]:
    return {
        str(name).strip().lower(): plain_text(value.strip())
        for name, value in row.items()
        if isinstance(value, str)
    }
