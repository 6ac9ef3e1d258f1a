"""Deciding by spreadsheet: the queue as CSV, and decisions read from one.

Columns: ``photo`` and ``verdict`` (numbers), ``sha256``, ``unit``, ``file_name``, ``model_says`` for
    reading; ``decision`` (confirmed, corrected, cannot_tell or second_opinion_asked; empty: not decided),
    ``findings`` (``kind@place`` separated by ``;``, empty with ``corrected``: intact), ``comment`` and
    ``seconds`` to be filled in. Cells that a spreadsheet would run as formulas carry an apostrophe (see
    ``csv_cells``)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from data_tools.access import Actor, Permission
from data_tools.csv_cells import csv_bytes, read_csv
from data_tools.keys import clean_text
from data_tools.queueing import queue
from data_tools.records import DecisionKind, DecisionRecord, QueueItem, TrueFinding
from data_tools.review import MAX_COMMENT, decide, decisions_of
from data_tools.workspace import Workspace
from model.errors import BadRequestError, ConflictError, RoundsError, StorageError, storage_errors
from model.vocabulary import FindingKind, Place

COLUMNS = (
    "photo",
    "verdict",
    "sha256",
    "unit",
    "file_name",
    "model_says",
    "decision",
    "findings",
    "comment",
    "seconds",
)


SAID_BEFORE = "said before: nothing added. To say it anew, use the Review screen or add a comment"


@dataclass(frozen=True)
class SheetLine:
    """What became of one line; ``number`` counts as the spreadsheet does (the header is 1)."""

    number: int
    message: str
    decision: DecisionRecord | None = None


@dataclass(frozen=True)
class SheetReport:
    """What became of a sheet of decisions. Lines without a decision are left out."""

    accepted: tuple[SheetLine, ...]
    refused: tuple[SheetLine, ...]


def queue_to_csv(
    ws: Workspace, actor: Actor, path: Path, site_key: str | None = None, limit: int = 500
) -> int:
    """Write the queue for filling in and return how many photos it holds.

    Raises:
        ConflictError: there is a file at ``path``: it may be a sheet that somebody has filled in.
        StorageError: it cannot be written.
    """
    if path.exists():
        raise ConflictError("a new file for the sheet", f"{path}, which is there", "Choose another name.")
    items = queue(ws, actor, site_key, limit)
    sheet = csv_bytes(COLUMNS, [_row(item) for item in items])
    with storage_errors(f"to write {path}"):
        path.write_bytes(sheet)
    return len(items)


def _row(item: QueueItem) -> tuple[object, ...]:
    judgement = item.verdict.judgement
    says = findings_text(tuple(TrueFinding(f.kind, f.place) for f in judgement.findings))
    photo = item.photo
    return (photo.id, item.verdict.id, photo.sha256, photo.unit_key, photo.file_name, says, "", "", "", "")


def decide_from_csv(ws: Workspace, actor: Actor, path: Path) -> SheetReport:
    """Read decisions from ``path``; each line is a transaction of its own, a bad one stops no other.

    A sheet may be sent again with more lines filled in: a line that says what the same person said of that
    verdict before adds nothing, also where they have corrected it or taken it back since.

    Raises:
        BadRequestError: the file itself cannot be used.
        StorageError: the store cannot be written; lines before it are kept.
    """
    actor.require(Permission.DECIDE)
    accepted, refused = [], []
    for number, line in enumerate(read_csv(path, ("photo", "verdict", "decision")), start=2):
        if not line.get("decision"):
            continue
        try:
            accepted.append(_decide_line(ws, actor, number, line))
        except StorageError:
            raise
        except RoundsError as error:
            refused.append(SheetLine(number, str(error)))
    return SheetReport(tuple(accepted), tuple(refused))


def _decide_line(ws: Workspace, actor: Actor, number: int, line: Mapping[str, str]) -> SheetLine:
    photo, verdict = int(_number(line, "photo") or 0), int(_number(line, "verdict") or 0)
    kind, findings = _kind(line["decision"]), findings_from_text(line.get("findings", ""))
    comment, seconds = clean_text(line.get("comment", ""), MAX_COMMENT), _number(line, "seconds")
    for before in decisions_of(ws, actor, photo):
        by_them = before.decided_by == actor.name and before.verdict_id == verdict
        if by_them and before.comment == comment and _says(before, kind, findings):
            return SheetLine(number, SAID_BEFORE, before)
    decision = decide(ws, actor, photo, verdict, kind, findings, comment=comment, seconds=seconds)
    return SheetLine(number, "kept", decision)


def _says(before: DecisionRecord, kind: DecisionKind, findings: tuple[TrueFinding, ...]) -> bool:
    """Whether an earlier decision says what a line does; a correction that changed nothing was kept as a
    confirmation."""
    if kind is DecisionKind.CORRECTED and before.kind is DecisionKind.CONFIRMED:
        return before.judged and frozenset(findings) == frozenset(before.findings)
    unsaid = kind is DecisionKind.CONFIRMED and not findings
    return before.kind is kind and (unsaid or frozenset(findings) == frozenset(before.findings))


def _number(line: Mapping[str, str], name: str) -> float | None:
    text = line.get(name, "")
    try:
        value = float(text) if text else None
    except ValueError:
        value = float("nan")
    if value is not None and not 0 <= value < 2**31:
        raise BadRequestError(f"a number in the column {name}", repr(text[:80]), "Correct that cell.")
    return value


def _kind(text: str) -> DecisionKind:
    try:
        return DecisionKind(text.strip().lower())
    except ValueError:
        wanted = ", ".join(kind for kind in DecisionKind if kind is not DecisionKind.WITHDRAWN)
        raise BadRequestError(f"a decision of {wanted}", repr(text[:80]), "Correct that cell.") from None


def findings_text(findings: tuple[TrueFinding, ...]) -> str:
    """Return findings as ``kind@place; kind@place``."""
    return "; ".join(f"{f.kind.value}@{f.place.value}" for f in findings)


def findings_from_text(text: str) -> tuple[TrueFinding, ...]:
    """Read findings as ``findings_text`` writes them; raises ``BadRequestError``."""
    return tuple(_finding(part.strip()) for part in text.split(";") if part.strip())


def _finding(part: str) -> TrueFinding:
    kind, _, place = part.partition("@")
    try:
        return TrueFinding(FindingKind(kind.strip()), Place(place.strip()))
    except ValueError:
        raise BadRequestError(
            "findings as kind@place", repr(part[:80]), "For example: missing_latch@latch."
        ) from None
