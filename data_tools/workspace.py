"""One workspace: its settings, database, originals and live model, opened together.

Folder: ``store.db``, ``photos/`` (originals), ``rejected/`` (files that were no photos), ``derived/``
(thumbnails, deletable), ``models/`` (artefacts), ``training_sets/`` (frozen manifests), ``runs/`` (where the
last retrain has got to, deletable), ``settings.toml``.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from sqlalchemy import select

from data_tools.database.engine import (
    GuardedSession,
    is_current,
    make_engine,
    reading_sessions,
    told_plainly,
    upgrade,
    writing_sessions,
)
from data_tools.database.schema import LiveModelRow, ModelVersionRow
from data_tools.model_side import Judge, load_judge
from data_tools.photo_store import PhotoStore
from data_tools.settings import Settings, load_settings
from data_tools.states import fold_by_rule, fold_missing, is_by_rule
from model.errors import NotFoundError, storage_errors

DATABASE = "store.db"


def now_or(now: datetime | None) -> datetime:
    """Return ``now``, or this moment, as aware UTC."""
    return (now or datetime.now(UTC)).astimezone(UTC)


class Workspace:
    """Handles to everything a verb needs. Safe to share between threads."""

    def __init__(self, settings: Settings, *, load: Callable[[Path | None], Judge] = load_judge) -> None:
        folder = settings.workspace
        self.settings = settings
        self.folder = folder
        self.engine = make_engine(
            settings.database_url or f"sqlite:///{folder / DATABASE}", settings.busy_timeout_s
        )
        self.sessions = reading_sessions(self.engine)
        self._writing = writing_sessions(self.engine)
        self.photos = PhotoStore(folder / "photos", folder / "derived" / "thumbnails")
        self.rejected = PhotoStore(folder / "rejected")
        self.models = folder / "models"
        self.training_sets = folder / "training_sets"
        self.runs = folder / "runs"
        self.load_judge = load
        self._lock = threading.Lock()
        self._judge: tuple[Path | None, Judge] | None = None

    @contextmanager
    def read(self) -> Iterator[GuardedSession]:
        """A consistent view for reading; database trouble comes out as ``StorageError``."""
        with told_plainly(), self.sessions() as session:
            yield session

    @contextmanager
    def write(self) -> Iterator[GuardedSession]:
        """One transaction, whole or not at all; raises ``ConflictError`` or ``StorageError``."""
        with told_plainly(), self._writing.begin() as session:
            yield session

    def live_artefact(self) -> Path | None:
        """Return where the live model's artefact lies; ``None`` is the one shipped with the product."""
        query = select(ModelVersionRow.path).join(LiveModelRow, LiveModelRow.version_id == ModelVersionRow.id)
        with self.read() as session:
            path = session.scalar(query)
        return self.folder / path if path else None

    def classifier(self) -> Judge:
        """Return the live model, loaded on first use and again after the live pointer has moved."""
        artefact = self.live_artefact()
        with self._lock:
            if self._judge is None or self._judge[0] != artefact:
                self._judge = (artefact, self.load_judge(artefact))
            return self._judge[1]

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()


def init_workspace(settings: Settings | None = None, *, classifier: Judge | None = None) -> Workspace:
    """Make the folder and the tables where they are missing, and open the workspace.

    Raises:
        StorageError: the folder cannot be made or written.
    """
    settings = settings or load_settings()
    with storage_errors(f"to make the workspace folder {settings.workspace}"):
        settings.workspace.mkdir(parents=True, exist_ok=True)
        (settings.workspace / "photos").mkdir(exist_ok=True)
    return _opened(settings, classifier)


def open_workspace(settings: Settings | None = None, *, classifier: Judge | None = None) -> Workspace:
    """Open an existing workspace, bringing older tables up to date. ``classifier`` replaces the live model.

    Raises:
        NotFoundError: there is no workspace in that folder.
        StorageError: the database cannot be opened.
    """
    settings = settings or load_settings()
    known = (settings.workspace / DATABASE).is_file() or (
        settings.database_url and settings.workspace.is_dir()
    )
    if not known:
        raise NotFoundError(
            f"a workspace in {settings.workspace}",
            "none there",
            "Run `rounds init`, or name the folder with --workspace or ROUNDS_WORKSPACE.",
        )
    return _opened(settings, classifier)


def _opened(settings: Settings, classifier: Judge | None) -> Workspace:
    workspace = Workspace(settings, load=partial(_always, classifier) if classifier else load_judge)
    if not is_current(workspace.engine):
        upgrade(workspace.engine, lambda session: fold_missing(session, workspace.settings))
    else:
        _keep_to_rule(workspace)
    return workspace


def _keep_to_rule(workspace: Workspace) -> None:
    """Where the settings that unsure photos are spared by have changed, fold those photos again."""
    with workspace.read() as session:
        if is_by_rule(session, workspace.settings):
            return
    with workspace.write() as session:
        if not is_by_rule(session, workspace.settings):
            fold_by_rule(session, workspace.settings)


def _always(classifier: Judge, _path: Path | None) -> Judge:
    return classifier
