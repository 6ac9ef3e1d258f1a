"""Files of model versions in the workspace: kept whole under their own hash, checked before they go live."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path

from data_tools.database.schema import ModelVersionRow
from data_tools.workspace import Workspace
from model.durable import write_durably
from model.errors import START_AGAIN, ArtefactError, storage_errors


@dataclass(frozen=True)
class KeptFile:
    """A model file in the workspace: its version, its SHA-256 and where it lies."""

    version: str
    digest: str
    path: Path


def keep_file(ws: Workspace, artefact: Path) -> KeptFile:
    """Copy a model file into the workspace, whole or not at all; no row names it yet.

    It is loaded first: a file that cannot judge is not kept.

    Raises:
        ArtefactError: not a model file that this version can load.
        StorageError: the disk is full or read-only.
    """
    version = ws.load_judge(artefact).version
    data = _read(artefact)
    digest = hashlib.sha256(data).hexdigest()
    target = ws.models / f"{re.sub(r'[^0-9A-Za-z._-]', '_', version)[:60]}-{digest[:8]}{artefact.suffix}"
    with storage_errors("to keep the model file", START_AGAIN):
        write_durably(target, data)
    return KeptFile(version, digest, target)


def check_file(ws: Workspace, row: ModelVersionRow) -> None:
    """Raise ``ArtefactError`` unless the version's file is here and unaltered."""
    data = _read(ws.folder / row.path)
    if hashlib.sha256(data).hexdigest() != row.digest:
        raise ArtefactError(
            f"the file of {row.version} as it was entered", "an altered one", "Restore a backup."
        )


def _read(artefact: Path) -> bytes:
    try:
        return artefact.read_bytes()
    except OSError as error:
        raise ArtefactError(f"a model file at {artefact}", str(error.strerror), "Check the path.") from error
