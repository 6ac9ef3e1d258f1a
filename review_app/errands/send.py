"""Send a round: roster of the week, photos in, and within seconds what to do about each coupler."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from data_tools.access import Actor
from data_tools.ingest import UploadSource, ingest
from data_tools.records import IngestedFile, IngestStatus, RosterLine, Site
from data_tools.sites import roster
from data_tools.workspace import Workspace
from model.errors import RoundsError
from review_app import access, resources
from review_app.errands.observe import observation_form
from review_app.errands.waiting import name_waiting
from review_app.site_board import standings_now
from review_app.standing import standing_of_file
from review_app.widgets.pickers import pick_site
from review_app.widgets.result_card import result_card
from review_app.widgets.roster import rows_html
from review_app.widgets.text import day, esc, md, plain, zone
from review_app.wording import Standing

FILE_TYPES = ["image", "jpg", "jpeg", "png", "webp", "heic", "heif", "zip"]
_ORDER = list(Standing)
_FROM_PHOTO = ("", "")
_NAMED = 8
_TODO = (Standing.MISSING, Standing.RETAKE)


def show() -> None:
    """Draw the page."""
    ws, actor = resources.workspace(), access.here()
    st.title("Send a round", anchor=False)
    site = pick_site(ws, actor)
    if site is None:
        return
    lines = roster(ws, actor, site.key)
    standings = standings_now(ws, actor, site, lines)
    _progress(lines, standings, site)
    target = _whose_photo(lines, standings)
    _uploader(ws, actor, site, target)
    _results(ws)
    name_waiting(ws, actor, site, lines)
    st.subheader("This week's units", anchor=False)
    st.html(rows_html([(line, standings[line.unit.key]) for line in lines], site.timezone))
    st.subheader("Seen something a photo does not show?", anchor=False)
    observation_form(ws, actor, [line.unit for line in lines], target[0] or None)


def _progress(lines: Sequence[RosterLine], standings: Mapping[str, Standing], site: Site) -> None:
    wanted = [line for line in lines if standings[line.unit.key] is not Standing.OUT_OF_SERVICE]
    done = sum(line.done_this_week for line in wanted)
    share = 100 * done / len(wanted) if wanted else 100
    today = datetime.now(zone(site.timezone)).date()
    monday = today - timedelta(days=today.weekday())
    missing = [line.unit.key for line in wanted if not line.done_this_week]
    more = f" and {len(missing) - _NAMED} more" if len(missing) > _NAMED else ""
    left = (
        f"Still missing: {', '.join(missing[:_NAMED])}{more}"
        if missing
        else "The round is complete. Thank you."
    )
    st.html(
        f'<div class="cr-progress"><span class="cr-count">{done} of {len(wanted)} units done</span> '
        f'<span class="cr-quiet">in the week of {day(monday, today)}</span>'
        f'<div class="cr-track"><div class="cr-fill" style="width:{share:.0f}%"></div></div>'
        f'<div class="cr-left">{esc(left, 600)}</div></div>'
    )


def _whose_photo(lines: Sequence[RosterLine], standings: Mapping[str, Standing]) -> tuple[str, str]:
    """Return unit and position tapped for the next photos; empty when each photo says so itself."""
    todo: dict[tuple[str, str], str] = {}
    rest: dict[tuple[str, str], str] = {}
    for line in lines:
        positions = [coupler.position for coupler in line.unit.couplers]
        for position in positions:
            name = plain(line.unit.key) + (f", coupler {plain(position)}" if len(positions) > 1 else "")
            missing = position in line.missing_positions and standings[line.unit.key] in _TODO
            (todo if missing else rest)[line.unit.key, position] = name + (" (missing)" if missing else "")
    names = {_FROM_PHOTO: "Read it from the label in the photo", **todo, **rest}
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
    with st.expander("Use the camera of this computer"):
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
    sources = [UploadSource(file.name, file.getvalue()) for file in files]
    unit_key, position = target
    bar = st.progress(0.0, text=f"Looking at {len(sources)} …")

    def tell(done: int, _name: str) -> None:
        bar.progress(min(1.0, done / len(sources)), text=f"{done} looked at")

    try:
        report = ingest(
            ws,
            actor,
            sources,
            site.key,
            unit_key=unit_key or None,
            position=position or None,
            progress=tell,
        )
    except RoundsError as error:
        st.error(md(str(error), 600))
        return
    results: list[IngestedFile] = st.session_state.setdefault("results", [])
    results[:0] = [file for file in report.files if file.status is not IngestStatus.NEEDS_UNIT]
    st.session_state["upload_number"] += 1
    # The chosen unit was for these photos only: the next photo would otherwise land on the wrong unit.
    st.session_state.pop("whose", None)
    st.rerun()


def _results(ws: Workspace) -> None:
    results: list[IngestedFile] = st.session_state.get("results", [])
    if not results:
        return
    kept = sum(file.status is not IngestStatus.NOT_RECEIVED for file in results)
    st.subheader(f"Received and kept: {kept} of {len(results)}", anchor=False)
    above = None
    for file in sorted(results, key=lambda file: _ORDER.index(standing_of_file(file))):
        st.html(result_card(ws, file, same_steps=standing_of_file(file) is above))
        above = standing_of_file(file)
    st.button("Clear this list (the photos stay kept)", on_click=_clear_results)


def _clear_results() -> None:
    st.session_state["results"] = []
