"""Act: which units wait for somebody, why, and what is done about each."""

from __future__ import annotations

import streamlit as st

from data_tools.access import Actor, Permission
from data_tools.conditions import CAUTIONS
from data_tools.history import timeline
from data_tools.records import RosterLine, Site, Unit
from data_tools.workspace import Workspace
from review_app import access, resources
from review_app.errands.act_forms import draw_form, options_for
from review_app.site_board import Board, board_of, damage_words
from review_app.standing import observation_words
from review_app.widgets.pickers import pick_site, unit_title
from review_app.widgets.roster import entry_html
from review_app.widgets.signs import badge
from review_app.widgets.text import clock, md, plain
from review_app.widgets.work_sheet import work_sheet
from review_app.wording import Standing, sentence

_WAITING = (Standing.DO_NOT_USE, Standing.OUT_OF_SERVICE)
_MOST = 40


def show() -> None:
    """Draw the page: the list of units that wait, or the one that was chosen."""
    ws, actor = resources.workspace(), access.here()
    if not actor.may(Permission.ACT):
        st.error("Only technicians and leads act on units.")
        return
    st.title("Act", anchor=False)
    done = st.session_state.pop("acted", None)
    if done:
        st.success(done, icon=":material/check_circle:")
    site = pick_site(ws, actor)
    if site is None:
        return
    board = board_of(ws, actor, site)
    units = {line.unit.key: line.unit for line in board.lines}
    # The address says which unit is open, so that it can be sent to somebody and the way back is the list.
    unit = units.get(st.query_params.get("unit", ""))
    if unit is None:
        _list(board, site, units)
    else:
        _unit(ws, actor, site, board, unit)


def _open(key: str) -> None:
    st.query_params["unit"] = key


def _open_chosen() -> None:
    key = st.session_state.get("act_other")
    if key:
        _open(key)


def _close() -> None:
    st.query_params.pop("unit", None)


def waiting_lines(board: Board) -> list[RosterLine]:
    """Return the units that wait for somebody to act, what must not be used first."""
    order = list(Standing)
    wanted = [
        line
        for line in board.lines
        if board.standings[line.unit.key] in _WAITING or board.noted.get(line.unit.key)
    ]
    return sorted(wanted, key=lambda line: (order.index(board.standings[line.unit.key]), line.unit.key))


def _list(board: Board, site: Site, units: dict[str, Unit]) -> None:
    waiting = waiting_lines(board)
    if not waiting:
        st.info("No unit of this site is out of service or waiting to be taken out.")
    else:
        _counts(board, waiting)
    doubts = sum(standing is Standing.LOOK for standing in board.standings.values())
    doubts -= sum(board.standings[line.unit.key] is Standing.LOOK for line in waiting)
    if doubts:
        st.markdown(
            f"**{doubts}** in doubt, not to be used until a technician has looked: they are in Review"
        )
    for line in waiting[:_MOST]:
        key = line.unit.key
        with st.container(horizontal=True, vertical_alignment="center", key=f"waiting_{line.unit.id}"):
            st.html(entry_html(line, board.standings[key], site.timezone, board.why(key)))
            st.button(f"Act on {md(key)}", key=f"act_on_{line.unit.id}", on_click=_open, args=(key,))
    if len(waiting) > _MOST:
        st.caption(f"{len(waiting) - _MOST} more: choose them below.")
    st.selectbox(
        "Another unit",
        list(units),
        index=None,
        format_func=lambda key: unit_title(units[key]),
        placeholder="Choose a unit",
        key="act_other",
        on_change=_open_chosen,
    )


def _counts(board: Board, waiting: list[RosterLine]) -> None:
    standings = [board.standings[line.unit.key] for line in waiting]
    stop, out = standings.count(Standing.DO_NOT_USE), standings.count(Standing.OUT_OF_SERVICE)
    others = len(waiting) - stop - out
    more = f" · **{others}** noted by staff" if others else ""
    st.markdown(f"**{stop}** in service but not to be used · **{out}** out of service{more}")


def _unit(ws: Workspace, actor: Actor, site: Site, board: Board, unit: Unit) -> None:
    st.button("All units that wait", icon=":material/arrow_back:", on_click=_close, key="act_back")
    with st.container(horizontal=True, vertical_alignment="center"):
        st.subheader(md(unit_title(unit)), anchor=False, width="content")
        st.html(badge(board.standings[unit.key]), width="content")
        st.page_link(
            resources.screen("unit"),
            label="History",
            icon=":material/history:",
            query_params={"site": site.key, "unit": unit.key},
        )
    _why(ws, actor, site, board, unit)
    noted = board.noted.get(unit.key, [])
    with st.container(border=True):
        options = options_for(unit, noted)
        what = st.pills(
            "What was done?",
            options,
            default=options[0],
            required=True,
            key=f"what_{unit.key}_{len(options)}",
        )
        _cautions()
        draw_form(ws, actor, unit, noted, what or options[0])
    _sheet(ws, actor, site, unit)


def _why(ws: Workspace, actor: Actor, site: Site, board: Board, unit: Unit) -> None:
    """Show what stands against the unit: the photo of the damage, and what staff noted."""
    for damage in board.damage.get(unit.key, ()):
        when = clock(damage.photo.seen_at or damage.photo.received_at, site.timezone)
        with st.container(horizontal=True, vertical_alignment="center", key=f"why_{damage.photo.id}"):
            st.image(
                resources.face_or_photo(ws, actor, damage.photo, resources.CARD),
                alt=f"Coupler {plain(damage.photo.position)}, {when}",
                width=150,
            )
            st.markdown(f"**{md(sentence(damage_words(damage)))}**  \nPhoto of {when}")
    for event in board.noted.get(unit.key, ()):
        when = clock(event.done_at, site.timezone)
        st.markdown(f"**{md(sentence(observation_words(event)), 800)}**  \n{md(event.done_by)}, {when}")


def _cautions() -> None:
    with st.expander("Before you touch anything", expanded=True):
        st.markdown("\n".join(f"- {md(caution, 400)}" for caution in CAUTIONS))


def _sheet(ws: Workspace, actor: Actor, site: Site, unit: Unit) -> None:
    """Offer the printable work sheet of the unit; it is only made when somebody asks for it."""

    def made() -> str:
        return work_sheet(
            timeline(ws, actor, unit.key),
            site,
            actor.name,
            CAUTIONS,
            lambda photo: resources.picture(ws, photo, resources.MEDIUM),
            lambda photo: resources.face_of(ws, actor, photo),
        )

    st.download_button(
        "Work sheet to print (one file with photos)",
        made,
        file_name=f"work-sheet-{plain(unit.key)}.html",
        mime="text/html",
        icon=":material/print:",
        on_click="ignore",
        key=f"sheet_{unit.key}",
    )
