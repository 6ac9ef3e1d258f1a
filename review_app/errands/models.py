"""Models: which version is live, how each was measured, and how to train, promote or go back."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from data_tools.access import Actor, Permission
from data_tools.jobs import ask_stop, latest_job, start_retrain
from data_tools.records import ModelVersion
from data_tools.registry import go_back, list_versions, live_version, promote
from data_tools.trend_data import load_trends
from data_tools.trends import weekly_watch
from data_tools.workspace import Workspace
from model.errors import RoundsError
from review_app import access, resources
from review_app.widgets.charts import weekly_lines
from review_app.widgets.figure_panel import figure_panel, table_view
from review_app.widgets.guard import told_plainly
from review_app.widgets.model_card import card_facts, card_table
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
    _card(ws)
    _watch(ws, actor)
    _promote(ws, actor, versions)
    _go_back(ws, actor)
    st.subheader("Train on what was confirmed", anchor=False)
    st.write(
        "A new version learns from the decisions of your technicians. It goes live only if it does no worse "
        "on couplers that it has never seen; otherwise it is held, with the reason."
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
    st.dataframe(
        pd.DataFrame(rows), hide_index=True, width="stretch", alt="Model versions and their measures"
    )


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


def _watch(ws: Workspace, actor: Actor) -> None:
    """Show how the model has done week by week, in the technicians' eyes."""
    figure = weekly_watch(load_trends(ws, actor))
    drawn = weekly_lines(figure.table, "measure") if figure.enough and not figure.table.empty else None
    figure_panel(figure, drawn, key="models-weekly-watch")


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
        why = st.text_input("Reason", max_chars=500, key="back_why")
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
    with told_plainly():
        job = latest_job(ws, actor)
        if job is not None and job.alive:
            since = clock(job.started_at, ws.settings.timezone)
            st.progress(min(1.0, max(0.0, job.progress)), text=f"Since {since}: {md(job.stage)}")
            if st.button("Stop", disabled=job.stop_asked, help="Stops at the next step; nothing changes."):
                ask_stop(ws, actor, job.id)
            return
        if job is not None:
            ended = md(job.message, 800) or "it ended without a word; the log of the server says more."
            st.info(f"Last training, {clock(job.started_at, ws.settings.timezone)}: {ended}")
        if st.button("Train now", icon=":material/model_training:"):
            start_retrain(ws, actor)
            st.rerun(scope="fragment")
