"""Models: which version is live, how it does, what to teach it next, and how to move between versions."""

from __future__ import annotations

import streamlit as st

from data_tools.access import Actor, Permission
from data_tools.registry import go_back, live_version, version_before
from data_tools.workspace import Workspace
from model.errors import RoundsError
from review_app import access, resources
from review_app.errands.model_teach import teach
from review_app.errands.model_versions import versions
from review_app.errands.model_watch import watch
from review_app.widgets.figure_panel import table_view
from review_app.widgets.model_card import card_facts, card_table
from review_app.widgets.text import md

_TABS = {"How it does": watch, "Teach it": teach, "Versions": versions}
_BACK_REASON = "Went back on the Models screen."


def show() -> None:
    """Draw the page."""
    ws, actor = resources.workspace(), access.here()
    if not actor.may(Permission.MANAGE_MODELS):
        st.error("Only maintenance leads look after the model.")
        return
    st.title("Models", anchor=False)
    done = st.session_state.pop("model_done", None)
    if done:
        st.success(md(done, 400), icon=":material/check_circle:")
    live = live_version(ws)
    st.markdown(f"Live: **{md(live.version)}**, judging every new photo. {md(live.note, 400)}")
    _go_back(ws, actor)
    _card(ws)
    chosen = st.pills(
        "What to look at",
        list(_TABS),
        default=next(iter(_TABS)),
        required=True,
        key="model_tab",
        label_visibility="collapsed",
    )
    _TABS[str(chosen)](ws, actor)


def _go_back(ws: Workspace, actor: Actor) -> None:
    """One click: the version before is checked, then live again; verdicts keep the version that made them."""
    earlier = version_before(ws, actor)
    if earlier is None:
        return
    if st.button(f"Go back to {md(earlier)}", icon=":material/undo:", key="go_back"):
        try:
            version = go_back(ws, actor, _BACK_REASON)
        except RoundsError as error:
            st.error(md(str(error), 600))
            return
        st.session_state["model_done"] = f"{version.version} is live again."
        st.rerun()


def _card(ws: Workspace) -> None:
    """Show what the live version says of itself; only when asked, because loading it takes seconds."""
    if not st.toggle("Show the card of the live version"):
        return
    card = getattr(ws.classifier(), "card", None)
    if card is None:
        st.info("The live version carries no card.")
        return
    st.markdown("  \n".join(f"{words}: **{md(value)}**" for words, value in card_facts(card).items()))
    table = card_table(card)
    if not table.empty:
        st.caption("Measured on photos of couplers that it has never seen, with 95 % intervals.")
        table_view(table, "Measures of the live version")
