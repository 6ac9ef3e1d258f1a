"""Where a fine-tune has got to, on disk: written whole or not at all."""

from __future__ import annotations

import os
import pickle
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch


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
    """Write ``state`` beside ``path``, sync it to the disk and rename it into place."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(".part")
    with part.open("wb") as file:
        torch.save(dict(state.__dict__), file)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)


def load_checkpoint(path: Path, fingerprint: str) -> Checkpoint | None:
    """Return what an earlier run of the same name left; ``None`` where there is nothing that fits.

    A damaged file is nothing that fits: the work starts anew.
    """
    try:
        state = Checkpoint(**torch.load(path, map_location="cpu", weights_only=True))
    except (OSError, RuntimeError, EOFError, TypeError, pickle.UnpicklingError):
        return None
    return state if state.fingerprint == fingerprint else None
