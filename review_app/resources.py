"""What all browser tabs share: the one open workspace. The only ``cache_resource`` of the app's data."""

from __future__ import annotations

import importlib
import io
import logging
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import streamlit as st
from PIL import Image
from streamlit.runtime import exists

from data_tools.access import Actor, Permission
from data_tools.closeups import closeup, latest_verdict
from data_tools.evidence_view import evidence_view
from data_tools.records import PhotoRecord
from data_tools.settings import FILE_NAME, Settings, load_settings
from data_tools.workspace import Workspace, open_workspace
from model.errors import NotFoundError, RoundsError
from model.vocabulary import Place

if TYPE_CHECKING:
    from data_tools.trend_memory import TrendMemory
    from data_tools.trends import Notice, TrendData

LARGE = 1600
"""Longest side in pixels of the photo in the viewer."""
MEDIUM = 720
"""Longest side in pixels of a photo shown beside another."""
CARD = 320
"""Side in pixels of a face on a card."""
SMALL = 240
"""Longest side in pixels of a thumbnail."""
_AFTER_FIRST_PAGE_S = 0.5

log = logging.getLogger(__name__)


def _grey() -> bytes:
    buffer = io.BytesIO()
    Image.new("L", (96, 96), 150).save(buffer, "JPEG")
    return buffer.getvalue()


_NO_PICTURE = _grey()
"""Shown where an original cannot be read; ``rounds verify`` says what is wrong with it."""


@st.cache_resource(show_spinner="Opening the workspace")
def workspace() -> Workspace:
    """Return the open workspace named by the settings."""
    return open_workspace()


@st.cache_resource(show_spinner=False)
def _trend_memory() -> TrendMemory:
    from data_tools.trend_memory import TrendMemory

    return TrendMemory()


def settings_now() -> Settings:
    """Return the settings with ``people`` as the settings file has them now: who is taken out, is out."""
    ws = workspace()
    file, state = ws.folder / FILE_NAME, (0, 0)
    if file.is_file():
        state = (file.stat().st_mtime_ns, file.stat().st_size)
    return replace(ws.settings, people=_people(ws.folder, state))


@st.cache_data(max_entries=1, show_spinner=False)
def _people(folder: Path, state: tuple[int, int]) -> str:
    return load_settings(folder).people


def trends(ws: Workspace, actor: Actor) -> TrendData:
    """Return the frames of the trends as the store has them now; they are shared, and never changed."""
    return _trend_memory().current(ws, actor)


def notices(ws: Workspace, actor: Actor) -> tuple[Notice, ...]:
    """Return what needs the lead now."""
    return _trend_memory().notices(ws, actor)


def get_ready(actor: Actor | None) -> None:
    """Load what takes long while the first page is looked at; once in the life of the server."""
    if not exists():
        return
    first = _ready_for_all()
    if actor is not None:
        if actor.may(Permission.PLAN):
            first = _ready_for_leads(workspace(), actor)
        _ready_to_judge(workspace(), first)


@st.cache_resource(show_spinner=False)
def _ready_for_all() -> threading.Thread:
    return _started(_load_libraries)


@st.cache_resource(show_spinner=False)
def _ready_to_judge(_ws: Workspace, _first: threading.Thread) -> threading.Thread:
    """Load the model, so that neither the first photo nor the first look at its evidence waits for it."""

    def load_model() -> None:
        _first.join()
        _ws.classifier()

    return _started(load_model)


@st.cache_resource(show_spinner=False)
def _ready_for_leads(_ws: Workspace, _actor: Actor) -> threading.Thread:
    libraries = _ready_for_all()

    def first_look() -> None:
        libraries.join()
        notices(_ws, _actor)
        for name in ("review_app.errands.trend_tabs", "data_tools.figure_drawings"):
            importlib.import_module(name)

    return _started(first_look)


def _started(work: Callable[[], None]) -> threading.Thread:
    def quietly() -> None:
        try:
            work()
        except Exception as error:  # whoever opens the page that needs it is told there
            log.warning("%s: %s", work.__name__, error)

    thread = threading.Thread(target=quietly, name=f"get ready: {work.__name__}", daemon=True)
    thread.start()
    return thread


def _load_libraries() -> None:
    time.sleep(_AFTER_FIRST_PAGE_S)
    importlib.import_module("data_tools.trend_memory")


@st.cache_data(max_entries=256, show_spinner=False)
def _picture(_ws: Workspace, sha256: str, side: int) -> bytes:
    return _ws.photos.thumbnail(sha256, side)


def picture(ws: Workspace, photo: PhotoRecord, side: int) -> bytes:
    """Return the upright JPEG of a kept photo, ``side`` pixels at most, without any metadata."""
    return picture_of(ws, photo.sha256, side)


def picture_of(ws: Workspace, sha256: str, side: int) -> bytes:
    """Return the upright JPEG of a kept original by its SHA-256; a grey field where it cannot be read."""
    try:
        return _picture(ws, sha256, side)
    except RoundsError:
        return _NO_PICTURE


@st.cache_data(max_entries=512, show_spinner=False)
def _closeup(
    _ws: Workspace, _actor: Actor, photo_id: int, verdict_id: int, place: Place | None, side: int
) -> bytes | None:
    return closeup(_ws, _actor, photo_id, place, side)


def face_of(
    ws: Workspace, actor: Actor, photo: PhotoRecord, side: int = MEDIUM, place: Place | None = None
) -> bytes | None:
    """Return the face (or one place on it), straight and square; None where no face was located."""
    try:
        verdict_id = latest_verdict(ws, actor, photo.id)  # says where the face lies
        return _closeup(ws, actor, photo.id, verdict_id, place, side)
    except RoundsError:
        return None


def face_or_photo(ws: Workspace, actor: Actor, photo: PhotoRecord, side: int) -> bytes:
    """Return the face, straight and square; the whole photo where no face was located."""
    return face_of(ws, actor, photo, side) or picture(ws, photo, side)


@st.cache_data(max_entries=32, show_spinner=False)
def _evidence(_ws: Workspace, _actor: Actor, photo_id: int, verdict_id: int) -> bytes:
    coloured = evidence_view(_ws, _actor, photo_id)
    if coloured is None:  # raised, and so not kept: what is live may change, and change back
        raise NotFoundError("a verdict of the live version", f"verdict {verdict_id}", "Judge it again.")
    return coloured


def evidence(ws: Workspace, actor: Actor, photo_id: int, verdict_id: int) -> bytes | None:
    """Return the photo with what spoke for the findings laid over it; None where that cannot be told."""
    try:
        return _evidence(ws, actor, photo_id, verdict_id)
    except RoundsError:
        return None


def screen(name: str) -> Path:
    """Return the file of the page called ``name``, for links between pages."""
    return Path(__file__).parent / "screens" / f"{name}.py"
