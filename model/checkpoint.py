"""What a training leaves on the disk, written whole or not at all: where it has got to, and model files."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch

from model.durable import PART_SUFFIX, write_durably
from model.errors import START_AGAIN, storage_errors


@dataclass(frozen=True)
class Checkpoint:
    """``done`` steps of the run named ``fingerprint``: state dicts of network, average and optimiser, and
    how often the average was updated."""

    fingerprint: str
    done: int
    updates: int
    network: dict[str, Any]
    averaged: dict[str, Any]
    optimiser: dict[str, Any]


def save_checkpoint(path: Path, state: Checkpoint) -> None:
    """Write ``state`` to ``path``, whole or not at all; raises ``StorageError``."""
    save_state(path, dict(state.__dict__))


def load_checkpoint(path: Path, fingerprint: str) -> Checkpoint | None:
    """Return what an earlier run of the same name left; ``None`` where there is nothing that fits.

    A damaged file is nothing that fits: the work starts anew.
    """
    try:
        state = Checkpoint(**(load_state(path) or {}))
    except TypeError:
        return None
    return state if state.fingerprint == fingerprint else None


def save_state(path: Path, state: dict[str, Any]) -> None:
    """Write ``state`` to ``path``, whole or not at all; raises ``StorageError``."""
    buffer = io.BytesIO()
    torch.save(state, buffer)  # not to the file: of a full disk it tells only that a position is unexpected
    write_whole(path, buffer.getbuffer())


def write_whole(path: Path, data: bytes | memoryview) -> None:
    """Write ``data`` to ``path``, whole or not at all.

    Raises:
        StorageError: the disk is full or read-only; nothing half-written stays.
    """
    with room_on_disk(path):
        write_durably(path, data, path.with_suffix(PART_SUFFIX))


def load_state(path: Path) -> dict[str, Any] | None:
    """Return what ``save_state`` wrote; ``None`` where there is no such file or it is damaged."""
    try:
        state = torch.load(path, map_location="cpu", weights_only=True)
    except Exception:  # of damaged bytes torch, zip and pickle raise nearly anything
        return None
    return state if isinstance(state, dict) else None


@contextmanager
def room_on_disk(path: Path) -> Iterator[None]:
    """Turn trouble of the disk into ``StorageError``."""
    with storage_errors(f"to keep {path.name} of a training", START_AGAIN):
        yield
