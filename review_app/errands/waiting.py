"""Photos that wait for somebody to say which unit they show. They are kept; a closed tab loses none."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from data_tools.access import Actor
from data_tools.ingest import assign_unit
from data_tools.own_words import couplers_said, file_as_said, say_themselves
from data_tools.records import IngestedFile, IngestStatus, RosterLine, Site
from data_tools.waiting import WaitingFile
from data_tools.workspace import Workspace
from model.errors import RoundsError
from review_app import resources
from review_app.errands.results import add_results
from review_app.errands.set_aside import draw_set_aside, offer_aside
from review_app.widgets.photo_view import as_url
from review_app.widgets.text import clock, md, plain
from review_app.widgets.verdict_card import card
from review_app.wording import WAITED_WORDS, Standing

_MOST = 12
_TO_TAP = 12
_NAMED = 12
_CHUNK = 8
_TOLD = "told_as_said"


def tell_waiting(waiting: Sequence[WaitingFile]) -> None:
    """Say near the top of the page that photos wait: answers to others may stand above them."""
    if waiting:
        some = f"{len(waiting)} photos wait" if len(waiting) > 1 else "1 photo waits"
        st.info(f"{some} for a unit: tap it below, under “Which unit?”.", icon=":material/help:")


def name_waiting(
    ws: Workspace, actor: Actor, site: Site, lines: Sequence[RosterLine], waiting: Sequence[WaitingFile]
) -> None:
    """Draw the waiting photos of a site, each with one tap for its unit, and those that were set aside."""
    if waiting:
        st.subheader(f"Which unit? {len(waiting)} waiting", anchor=False)
        st.caption("These photos are kept. Tap the unit that each one shows.")
        _offer_all(ws, actor, site, _names(lines))
    # The newest first: what nobody can name must not hide what has just come in.
    for file in reversed(waiting[-_MOST:]):
        _one(ws, actor, site, file, lines)
    if len(waiting) > _MOST:
        st.caption(f"{len(waiting) - _MOST} more will appear as you go.")
    draw_set_aside(ws, actor, site)


def _offer_all(ws: Workspace, actor: Actor, site: Site, names: dict[tuple[str, str], str]) -> None:
    """Offer one tap for all photos that say their unit themselves, told beforehand which units get how many.

    Those that came in since they were told of are not filed: they are told of next.
    """
    said = say_themselves(ws, actor, site.key)
    before = st.session_state.get(_TOLD, ())
    st.session_state[_TOLD] = said
    if len(said) < 2:
        return
    counts = couplers_said(said)
    some = [f"{md(names.get(key) or ' '.join(key))} ({count})" for key, count in counts[:_NAMED]]
    more = f" and {len(counts) - _NAMED} more" if len(counts) > _NAMED else ""
    st.markdown(f"By file name or label, {len(said)} of them are of **{', '.join(some)}**{more}.")
    if not st.button(f"File these {len(said)} photos there", key="file_as_said", icon=":material/done_all:"):
        return
    told = [one for one in said if one in before]
    bar = st.progress(0.0, text=f"Filing {len(told)} …")
    for start in range(0, len(told), _CHUNK):  # a tap elsewhere ends this page: what is done is then told
        add_results(site, _filed(file_as_said(ws, actor, told[start : start + _CHUNK])))
        done = min(len(told), start + _CHUNK)
        bar.progress(done / len(told), text=f"{done} of {len(told)} filed")
    st.rerun()


def _filed(files: Sequence[IngestedFile]) -> list[IngestedFile]:
    """Leave out what still waits: its card below says so."""
    return [file for file in files if file.status is not IngestStatus.NEEDS_UNIT]


def _one(ws: Workspace, actor: Actor, site: Site, file: WaitingFile, lines: Sequence[RosterLine]) -> None:
    st.html(
        card(
            Standing.NEEDS_UNIT,
            body=_why(file, site),
            file_name=file.file_name,
            picture=as_url(resources.picture_of(ws, file.sha256, resources.SMALL)),
        )
    )
    names = _names(lines)
    chosen = _tapped(file, names)
    offer_aside(ws, actor, site, file)
    if chosen is None:
        return
    try:
        done = assign_unit(ws, actor, file.id, chosen[0], position=chosen[1])
    except RoundsError as error:
        st.error(md(str(error), 600))
        return
    add_results(site, [done])
    st.rerun()


def _why(file: WaitingFile, site: Site) -> str:
    """Return why it waits, and who set it aside meanwhile."""
    past = [
        f"{event.done_by} {WAITED_WORDS[event.kind]} on {clock(event.done_at, site.timezone)}"
        + (f": {event.reason}" if event.reason else "")
        for event in file.events
    ]
    return " ".join([file.why, *(f"{words}." for words in past)])


def _names(lines: Sequence[RosterLine]) -> dict[tuple[str, str], str]:
    """Return what each coupler is called here, those of units still missing first."""
    names: dict[tuple[str, str], str] = {}
    for line in sorted(lines, key=lambda line: (line.done_this_week, line.unit.key)):
        several = len(line.unit.couplers) > 1
        for coupler in line.unit.couplers:
            more = f" {coupler.position}" if several else ""
            names[line.unit.key, coupler.position] = plain(line.unit.key) + more
    return names


def _tapped(file: WaitingFile, names: dict[tuple[str, str], str]) -> tuple[str, str] | None:
    """Offer the units to tap: those that it may show, where that is known; a list for the rest."""
    first = list(file.offered) or list(names)[:_TO_TAP]
    rest = [key for key in names if key not in first]
    chosen = st.pills(
        f"Unit of {md(file.file_name)}",
        first,
        format_func=lambda key: md(names.get(key, key[0])),
        key=f"unit_of_{file.id}",
        label_visibility="collapsed",
    )
    if chosen is None and rest:
        chosen = st.selectbox(
            f"Another unit for {plain(file.file_name)}",
            rest,
            index=None,
            format_func=lambda key: names[key],
            placeholder="Another unit",
            key=f"other_unit_of_{file.id}",
            label_visibility="collapsed",
        )
    return chosen
