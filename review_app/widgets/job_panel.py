"""A work in the background: its progress and a stop while it runs, its last word and a start otherwise."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from data_tools.access import Actor
from data_tools.jobs import JobRecord, ask_stop, latest_job
from data_tools.workspace import Workspace
from review_app.widgets.guard import told_plainly
from review_app.widgets.text import clock, md

_POLL_S = 3
_STOP = "Stops at the next step."


def job_panel(
    ws: Workspace,
    actor: Actor,
    kind: str,
    label: str,
    start: Callable[[Workspace, Actor], JobRecord],
    *,
    icon: str,
    stop_help: str = _STOP,
) -> None:
    """Draw the work of that kind; an empty ``label`` shows it without a way to start it."""

    @st.fragment(run_every=_POLL_S, key=f"job_{kind}")
    def drawn() -> None:
        with told_plainly():
            _draw(ws, actor, kind, label, start, icon, stop_help)

    drawn()


def _draw(
    ws: Workspace,
    actor: Actor,
    kind: str,
    label: str,
    start: Callable[[Workspace, Actor], JobRecord],
    icon: str,
    stop_help: str,
) -> None:
    job = latest_job(ws, actor, kind)
    ran = st.session_state.get(f"ran_{kind}")
    if job is not None and job.alive:
        st.session_state[f"ran_{kind}"] = job.id
        since = clock(job.started_at, ws.settings.timezone)
        st.progress(min(1.0, max(0.0, job.progress)), text=f"Since {since}: {md(job.stage)}")
        if st.button("Stop", disabled=job.stop_asked, help=stop_help, key=f"stop_{kind}"):
            ask_stop(ws, actor, job.id)
        return
    if job is not None and ran == job.id:
        # It ended before our eyes: the rest of the page shows what it changed.
        st.session_state.pop(f"ran_{kind}")
        st.rerun()
    if job is not None:
        _last_word(ws, job)
    if label and st.button(label, icon=icon, key=f"start_{kind}"):
        start(ws, actor)
        st.rerun(scope="fragment")


def _last_word(ws: Workspace, job: JobRecord) -> None:
    at = clock(job.started_at, ws.settings.timezone)
    if job.interrupted:
        words = (
            f"Started {at}, interrupted at {job.progress:.0%}. Nothing is half done: start it again and it"
        )
        st.warning(f"{words} goes on from where it was.", icon=":material/restart_alt:")
    else:
        st.info(f"Last time, {at}: {md(job.message, 800)}")
