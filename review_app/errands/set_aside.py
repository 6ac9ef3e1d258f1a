"""Send: waiting photos that show no coupler of ours are set aside, with a reason, and can be brought back."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from data_tools.access import Actor
from data_tools.records import Site
from data_tools.waiting import WaitingFile, bring_back, list_set_aside, set_aside
from data_tools.workspace import Workspace
from model.errors import RoundsError
from review_app import resources
from review_app.widgets.photo_view import as_url
from review_app.widgets.text import clock, md, plain
from review_app.widgets.verdict_card import card
from review_app.wording import ASIDE_REASONS, Standing

_MOST = 12
_LAST = "set_aside_last"


def offer_aside(ws: Workspace, actor: Actor, site: Site, file: WaitingFile) -> None:
    """Draw the way out for one waiting photo: a button that opens the reasons, of which one tap does it."""
    with st.popover("No coupler of ours? Set it aside", icon=":material/hide_image:", key=f"aside_{file.id}"):
        st.markdown(f"**{md(file.file_name)}** stays kept, is not judged, and can be brought back. Why?")
        tapped = [
            reason
            for reason in ASIDE_REASONS
            if st.button(reason, key=f"aside_{reason}_{file.id}", width="stretch")
        ]
        why = "".join(tapped)
        with st.form(f"aside_why_{file.id}", border=False):
            typed = st.text_input(
                f"Another reason for {plain(file.file_name)}",
                max_chars=200,
                placeholder="Another reason",
                label_visibility="collapsed",
            ).strip()
            if st.form_submit_button("Set aside for this reason", width="stretch"):
                why = typed
                if not typed:
                    st.error("Write the reason, or tap one above.")
    if why:
        _do(lambda: set_aside(ws, actor, file.id, why), file.id)


def draw_set_aside(ws: Workspace, actor: Actor, site: Site) -> None:
    """Draw what was set aside just now, to take it back; the rest only where somebody asks for it."""
    files = list_set_aside(ws, actor, site.key)
    last = st.session_state.get(_LAST)
    shown = [file for file in files if file.id == last]
    rest = [file for file in files if file.id != last]
    if rest and st.toggle(f"Show {len(rest)} set aside" + (" before" if shown else ""), key="whole_aside"):
        shown += rest[:_MOST]
    for file in shown:
        _one(ws, actor, site, file)
    if len(shown) > _MOST:
        st.caption(f"The last {_MOST} are shown; `rounds waiting --aside` lists all.")


def _one(ws: Workspace, actor: Actor, site: Site, file: WaitingFile) -> None:
    event = file.aside
    if event is None:
        return
    st.html(
        card(
            Standing.SET_ASIDE,
            words=f"Set aside: {event.reason}",
            body=f"By {event.done_by}, {clock(event.done_at, site.timezone)}. Kept, and not judged.",
            file_name=file.file_name,
            picture=as_url(resources.picture_of(ws, file.sha256, resources.SMALL)),
        )
    )
    if st.button("Bring it back", icon=":material/undo:", key=f"bring_back_{file.id}"):
        _do(lambda: bring_back(ws, actor, file.id), None)


def _do(verb: Callable[[], object], last: int | None) -> None:
    """Do it and draw the page anew; ``last``: the photo that stays in sight."""
    try:
        verb()
    except RoundsError as error:
        st.error(md(str(error), 600))
        return
    st.session_state[_LAST] = last
    st.rerun()
