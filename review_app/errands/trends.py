"""Trends: what needs the lead, in sentences. The charts and their libraries are loaded when opened."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from data_tools.access import Actor, Permission
from data_tools.workspace import Workspace
from review_app import access, resources
from review_app.widgets.text import md
from review_app.wording import sentence

if TYPE_CHECKING:
    from data_tools.trends import TrendData

_FIRST = "What needs you"
TABS = (
    "Damage",
    "Sites and weeks",
    "Time to first damage",
    "Comes back",
    "Rounds",
    "Trust in the model",
    "Monthly report",
)
_MOST_NOTICES = 20


def show() -> None:
    """Draw the page."""
    ws, actor = resources.workspace(), access.here()
    if not actor.may(Permission.PLAN):
        st.error("Only maintenance leads see trends.")
        return
    st.title("Trends", anchor=False)
    chosen = st.pills(
        "What to look at",
        [_FIRST, *TABS],
        default=_FIRST,
        required=True,
        key="trend_tab",
        persist_state="session",
    )
    with st.spinner("Counting"):
        data = resources.trends(ws, actor)
        if chosen in (None, _FIRST):
            _needs_you(ws, actor, data)
            return
        from review_app.errands.trend_tabs import draw

        draw(chosen, ws, actor, data)


def _open(tab: str) -> None:
    st.session_state["trend_tab"] = tab


def _needs_you(ws: Workspace, actor: Actor, data: TrendData) -> None:
    """Say in sentences what moved, before any chart."""
    notices = resources.notices(ws, actor)
    if data.photos.empty:
        st.info("Not enough yet: no photos.", icon=":material/hourglass_empty:")
    elif not notices:
        st.success("Nothing has moved beyond chance lately, and nothing is overdue.", icon=":material/check:")
    shown = notices[:_MOST_NOTICES]
    for at, notice in enumerate(shown):
        words = f"**{sentence(notice.topic.value)}.** {md(notice.words, 600)}"
        st.warning(words, icon=":material/priority_high:")
        tab = sentence(notice.topic.value)
        last_of_topic = at + 1 == len(shown) or shown[at + 1].topic is not notice.topic
        if last_of_topic and tab in TABS:
            st.button(f"See the figures: {tab}", key=f"look_{at}", on_click=_open, args=(tab,))
    if len(notices) > _MOST_NOTICES:
        st.caption(f"{len(notices) - _MOST_NOTICES} more: see the other pages above.")
    st.caption(
        f"n = {len(data.photos):,} photos. Counted: damage that came back within half a year, weeks flagged "
        "in the last five, sites, part numbers, blind audits and overdue couplers as of now."
    )
