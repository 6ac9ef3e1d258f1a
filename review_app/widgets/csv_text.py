"""Tables as CSV that no spreadsheet program will run."""

from __future__ import annotations

import pandas as pd

from data_tools.csv_cells import csv_text


def csv_bytes(table: pd.DataFrame) -> bytes:
    """Return ``table`` as CSV in UTF-8 with a byte-order mark, by which spreadsheets know the letters."""
    rows = table.astype(object).where(table.notna(), None).itertuples(index=False, name=None)
    return csv_text([str(name) for name in table.columns], rows).encode("utf-8-sig")
