"""Send a round: roster of the week, photos in, and within seconds what to do about each coupler."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime, timedelta

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from data_tools.access import Actor
from data_tools.ingest import UploadSource, ingest
from data_tools.records import IngestStatus, Site
from data_tools.waiting import list_waiting
from data_tools.workspace import Workspace
from model.errors import RoundsError
from review_app import access, resources
from review_app.errands.observe import observation_form
from review_app.errands.results import add_results, draw_results
from review_app.errands.waiting import name_waiting, tell_waiting
from review_app.site_board import Board, board_of
from review_app.widgets.pickers import pick_site
from review_app.widgets.roster import is_missing, ranked, rows_html
from review_app.widgets.text import day, esc, md, plain, zone
from review_app.wording import Standing, as_before_words

FILE_TYPES = ["image", "jpg", "jpeg", "png", "webp", "heic", "heif", "zip"]
_FROM_PHOTO = ("", "")
_NAMED = 8
_DONE_WITH = "done_with_whose"
_ROWS = 60


def show() -> None:
    """Draw the page."""
    ws, actor = resources.workspace(), access.here()
    st.title("Send a round", anchor=False)
    site = pick_site(ws, actor)
    if site is None:
        return
    board = board_of(ws, actor, site)
    _progress(board, site)
    with st.container(key="narrow_send"):
        target = _whose_photo(board)
        _uploader(ws, actor, site, target)
    waiting = list_waiting(ws, actor, site.key)
    tell_waiting(waiting)
    draw_results(ws, actor, site)
    name_waiting(ws, actor, site, board.lines, waiting)
    _roster(board, site)
    st.subheader("Seen something a photo does not show?", anchor=False)
    with st.container(key="narrow_seen"):
        observation_form(ws, actor, [line.unit for line in board.lines], target)


def _progress(board: Board, site: Site) -> None:
    standings = board.standings
    wanted = [line for line in board.lines if standings[line.unit.key] is not Standing.OUT_OF_SERVICE]
    done = sum(line.done_this_week for line in wanted)
    share = 100 * done / len(wanted) if wanted else 100
    today = datetime.now(zone(site.timezone)).date()
    monday = today - timedelta(days=today.weekday())
    missing = [line.unit.key for line in wanted if not line.done_this_week]
    more = f" and {len(missing) - _NAMED} more" if len(missing) > _NAMED else ""
    left = "The round is complete. Thank you." if wanted else "No unit to photograph here now."
    if missing:
        left = f"Still missing: {', '.join(missing[:_NAMED])}{more}"
    st.html(
        f'<div class="cr-progress"><span class="cr-count">{done} of {len(wanted)} units done</span> '
        f'<span class="cr-quiet">in the week of {day(monday, today)}</span>'
        f'<div class="cr-track"><div class="cr-fill" style="width:{share:.0f}%"></div></div>'
        f'<div class="cr-left">{esc(left, 600)}</div>{_standing_words(board)}</div>'
    )


def _standing_words(board: Board) -> str:
    counts = Counter(board.standings.values())
    parts = [
        f"{counts[standing]} {words}"
        for standing, words in (
            (Standing.DO_NOT_USE, "not to be used"),
            (Standing.LOOK, "not to be used until a technician has looked"),
            (Standing.OUT_OF_SERVICE, "out of service"),
        )
        if counts[standing]
    ]
    spared, unsure = (sum(getattr(line, name) for line in board.lines) for name in ("as_before", "unsure"))
    doubts = as_before_words(spared, unsure)
    return "".join(
        f'<div class="cr-quiet">{esc(words)}</div>' for words in (", ".join(parts), doubts) if words
    )


def _roster(board: Board, site: Site) -> None:
    """List this week's units, what needs somebody first; a long list only where somebody asks for it."""
    st.subheader("This week's units", anchor=False)
    rows = ranked([(line, board.standings[line.unit.key]) for line in board.lines])
    every = len(rows) <= _ROWS or st.toggle(f"Show all {len(rows)} units", key="whole_roster")
    why = {
        key: board.short(key)
        for key, standing in board.standings.items()
        if standing is Standing.DO_NOT_USE or board.noted.get(key)
    }
    st.html(rows_html(rows if every else rows[:_ROWS], site.timezone, why))
    if not every:
        st.caption(f"{len(rows) - _ROWS} more units, none more urgent than these.")


def _whose_photo(board: Board) -> tuple[str, str]:
    """Return unit and position tapped for the next photos; empty when each photo says so itself."""
    todo: dict[tuple[str, str], str] = {}
    rest: dict[tuple[str, str], str] = {}
    for line in board.lines:
        positions = [coupler.position for coupler in line.unit.couplers]
        for position in positions:
            name = plain(line.unit.key) + (f", coupler {plain(position)}" if len(positions) > 1 else "")
            missing = position in line.missing_positions and is_missing(line, board.standings[line.unit.key])
            (todo if missing else rest)[line.unit.key, position] = name + (" (missing)" if missing else "")
    names = {_FROM_PHOTO: "Read it from the label in the photo", **todo, **rest}
    if st.session_state.pop(_DONE_WITH, False):
        # Said, not only forgotten: the browser would keep the unit, and send it again with the next photo.
        st.session_state["whose"] = _FROM_PHOTO
    chosen = st.selectbox(
        "Whose photo comes next?",
        list(names),
        format_func=lambda key: names.get(key, ""),
        key="whose",
        help="Choose the unit where it has no label to photograph. A file named after the unit finds it too.",
    )
    return chosen if chosen in names else _FROM_PHOTO


def _uploader(ws: Workspace, actor: Actor, site: Site, target: tuple[str, str]) -> None:
    number = st.session_state.setdefault("upload_number", 0)
    files = st.file_uploader(
        "Take photos or choose them (JPEG, HEIC, PNG, WebP or a zip)",
        type=FILE_TYPES,
        accept_multiple_files=True,
        max_upload_size=ws.settings.max_upload_mb,
        key=f"upload_{number}",
    )
    shot = None
    with st.expander("Use the camera of this device"):
        # Asking for the camera only when wanted keeps the permission question away from everybody else.
        if st.toggle("Turn the camera on", key="camera_on"):
            shot = st.camera_input("Camera", resolution="1080p", key=f"camera_{number}")
    incoming = [*(files or []), *([shot] if shot else [])]
    if incoming:
        _take_in(ws, actor, site, target, incoming)


def _take_in(
    ws: Workspace, actor: Actor, site: Site, target: tuple[str, str], files: Sequence[UploadedFile]
) -> None:
    """Store the upload at once, keep its results for this tab and empty the uploader."""
    bar = st.progress(0.0, text=f"Looking at {len(files)} …")
    done = 0

    def tell(_count: int, _name: str) -> None:
        nonlocal done
        done += 1
        bar.progress(min(1.0, done / len(files)), text=f"{done} looked at")

    groups = _as_meant(site, target, files)
    for (where, unit_key, position), some in groups.items():
        sources = [UploadSource(file.name, file.getvalue()) for file in some]
        try:
            report = ingest(
                ws,
                actor,
                sources,
                where.key,
                unit_key=unit_key or None,
                position=position or None,
                progress=tell,
            )
        except RoundsError as error:
            st.session_state.pop("meant", None)  # nothing of it was taken in: what is chosen next counts
            st.error(md(str(error), 600))
            return
        add_results(where, [file for file in report.files if file.status is not IngestStatus.NEEDS_UNIT])
    st.session_state["upload_number"] += 1
    st.session_state.pop("meant", None)
    # The chosen unit was for these photos only: the next photo would otherwise land on the wrong unit.
    # One chosen while they were looked at is for the next.
    if any(meant[1:] == target for meant in groups):
        st.session_state[_DONE_WITH] = True
    st.rerun()


def _as_meant(
    site: Site, target: tuple[str, str], files: Sequence[UploadedFile]
) -> dict[tuple[Site, str, str], list[UploadedFile]]:
    """Group files by the site and unit that were chosen when each was first here.

    Whoever chooses the next unit while photos are looked at interrupts this page, and it begins again.
    """
    meant: dict[str, tuple[Site, str, str]] = st.session_state.setdefault("meant", {})
    groups: dict[tuple[Site, str, str], list[UploadedFile]] = {}
    for file in files:
        groups.setdefault(meant.setdefault(file.file_id, (site, *target)), []).append(file)
    return groups
