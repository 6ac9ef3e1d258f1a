"""One person, one spelling: "tom" is not a second opinion on what "Tom" said."""

from __future__ import annotations

from sqlalchemy import select

from data_tools.database.schema import DecisionRow
from data_tools.keys import KnownKeys, tidy_name
from data_tools.workspace import Workspace


def spelled_as_before(ws: Workspace, name: str) -> str:
    """Return ``name`` as its person's decisions are signed, where it differs only in upper and lower case,
    white space or the way to write an accent; else the name composed, on one line."""
    with ws.read() as session:
        signed = set(session.scalars(select(DecisionRow.decided_by).distinct()))
    if name in signed:
        return name
    return KnownKeys(sorted(signed)).get(tidy_name(name)) or tidy_name(name)
