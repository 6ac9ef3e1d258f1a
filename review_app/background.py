"""Training beside the app: a process of its own that runs the command line, so that a closed tab stops nothing."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from data_tools.access import Actor, Permission
from data_tools.workspace import Workspace

_FOLDER = "training_runs"
_TAIL_LINES = 12
_STARTING = timedelta(seconds=20)


@dataclass(frozen=True)
class TrainingRun:
    """One training: when it started, whether it still runs, how it ended, and its last lines."""

    started_at: datetime
    running: bool
    succeeded: bool
    tail: str


def start_training(ws: Workspace, actor: Actor) -> None:
    """Start ``rounds retrain`` for this workspace unless one is running.

    Raises:
        NotAllowedError: the role may not train.
    """
    actor.require(Permission.MANAGE_MODELS)
    latest = latest_training(ws)
    if latest is not None and latest.running:
        return
    folder = ws.folder / _FOLDER
    folder.mkdir(exist_ok=True)
    started = datetime.now(UTC)
    log = folder / f"{started:%Y%m%dT%H%M%S}.log"
    environment = {
        **os.environ,
        "ROUNDS_WORKSPACE": str(ws.folder.resolve()),
        "ROUNDS_DEFAULT_NAME": actor.name,
        "ROUNDS_DEFAULT_ROLE": actor.role.value,
    }
    with log.open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "review_app.background", str(log)],
            stdout=out,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
            env=environment,
            start_new_session=True,
        )
    # Waiting for it lets the system forget a process that was killed; nothing else depends on this thread.
    threading.Thread(target=process.wait, daemon=True).start()


def latest_training(ws: Workspace) -> TrainingRun | None:
    """Return the newest training of this workspace, or None where there was none."""
    logs = sorted((ws.folder / _FOLDER).glob("*.log"))
    if not logs:
        return None
    log = logs[-1]
    facts = _facts(log)
    code = facts.get("exit_code")
    started = datetime.strptime(log.stem, "%Y%m%dT%H%M%S").replace(tzinfo=UTC)
    young = datetime.now(UTC) - started < _STARTING
    running = code is None and (_alive(facts["pid"]) if "pid" in facts else young)
    return TrainingRun(started, running, code == 0, _tail(log))


def _note(log: Path, facts: dict[str, int]) -> None:
    path = log.with_suffix(".json")
    known = _facts(log)
    part = path.with_suffix(".part")
    part.write_text(json.dumps({**known, **facts}), encoding="utf-8")
    part.replace(path)


def _facts(log: Path) -> dict[str, int]:
    try:
        facts: dict[str, int] = json.loads(log.with_suffix(".json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return facts


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _tail(log: Path) -> str:
    text = log.read_text(encoding="utf-8", errors="replace").replace("\r", "\n")
    return "\n".join([line for line in text.splitlines() if line.strip()][-_TAIL_LINES:])


def _main(log: Path) -> None:
    _note(log, {"pid": os.getpid()})
    done = subprocess.run([sys.executable, "-m", "data_tools.cli", "retrain"], check=False)
    _note(log, {"exit_code": done.returncode})


if __name__ == "__main__":
    _main(Path(sys.argv[1]))
