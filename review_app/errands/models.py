"""Models: which version is live, how each was measured, and how to train, promote or go back."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from data_tools.access import Actor, Permission
from data_tools.records import ModelVersion
from data_tools.registry import go_back, list_versions, live_version, promote
from data_tools.workspace import Workspace
from model.errors import RoundsError
from review_app import access, resources
from review_app.background import latest_training, start_training
from review_app.widgets.text import clock, md, plain

_POLL_S = 3


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
    versions = list_versions(ws, actor)
    _table(ws, versions)
    _promote(ws, actor, versions)
    _go_back(ws, actor)
    st.subheader("Train on what was confirmed", anchor=False)
    st.write(
        "A new version learns from the decisions of your technicians. It goes live only if it does no worse on "
        "couplers that it has never seen; otherwise it is held, with the reason."
    )
    _training(ws, actor)


def _table(ws: Workspace, versions: list[ModelVersion]) -> None:
    rows = [
        {
            "Version": plain(v.version),
            "State": v.status.replace("_", " "),
            "Since": clock(v.registered_at, ws.settings.timezone) if v.path else "",
            "Note": plain(v.note, 300),
            **{plain(name): value for name, value in v.metrics.items() if isinstance(value, int | float)},
        }
        for v in versions
    ]
    st.dataframe(pd.DataFrame(rows), hide_index=True, width="stretch", alt="Model versions and their measures")


def _promote(ws: Workspace, actor: Actor, versions: list[ModelVersion]) -> None:
    others = [version.version for version in versions if not version.live]
    if not others:
        return
    with st.expander("Make another version live"), st.form("promote"):
        version = st.selectbox("Version", others, format_func=plain)
        why = st.text_input("Reason", max_chars=500)
        if st.form_submit_button("Make it live"):
            if not why.strip():
                st.error("Write the reason.")
            elif version:
                try:
                    promote(ws, actor, version, why.strip())
                except RoundsError as error:
                    st.error(md(str(error), 600))
                    return
                _finish(f"{version} is live now.")


def _go_back(ws: Workspace, actor: Actor) -> None:
    with st.expander("Go back to the version before"), st.form("go_back"):
        why = st.text_input("Reason", max_chars=500)
        if st.form_submit_button("Go back"):
            if not why.strip():
                st.error("Write the reason.")
                return
            try:
                version = go_back(ws, actor, why.strip())
            except RoundsError as error:
                st.error(md(str(error), 600))
                return
            _finish(f"{version.version} is live again.")


def _finish(words: str) -> None:
    st.session_state["model_done"] = words
    st.rerun()


@st.fragment(run_every=_POLL_S)
def _training(ws: Workspace, actor: Actor) -> None:
    run = latest_training(ws)
    if run is not None and run.running:
        st.info(f"Training is running since {clock(run.started_at, ws.settings.timezone)}.", icon=":material/hourglass_top:")
        st.code(run.tail or "starting", language=None)
        return
    if run is not None:
        (st.success if run.succeeded else st.warning)(f"Last training: {md(run.tail or 'no words', 800)}")
    if st.button("Train now", icon=":material/model_training:"):
        start_training(ws, actor)
        st.rerun(scope="fragment")
