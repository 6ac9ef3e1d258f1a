"""The versions: their record, making another one live, and judging kept photos again."""

from __future__ import annotations

from functools import partial

import pandas as pd
import streamlit as st

from data_tools.access import Actor
from data_tools.jobs import RESCORE, start_rescore
from data_tools.records import ModelVersion
from data_tools.registry import list_versions, promote
from data_tools.rescore import RoundToJudge, rounds_to_judge
from data_tools.workspace import Workspace
from model.errors import RoundsError
from review_app.widgets.figure_panel import table_view
from review_app.widgets.job_panel import job_panel
from review_app.widgets.text import clock, md, plain

_EVERY = "All photos"
_MEASURES = {"trained_on train": "Learnt from (photos)", "compared_on": "Compared on (photos)"}


def versions(ws: Workspace, actor: Actor) -> None:
    """Draw the table of versions and what can be done with them."""
    known = list_versions(ws, actor)
    _table(ws, known)
    _why(known)
    _promote(ws, actor, known)
    _judge_again(ws, actor)


def _table(ws: Workspace, known: list[ModelVersion]) -> None:
    rows = [
        {
            "Version": plain(v.version),
            "State": v.status.replace("_", " "),
            "Since": clock(v.registered_at, ws.settings.timezone) if v.path else "",
            "Note": plain(v.note, 300),
            **{words: v.metrics.get(name) for name, words in _MEASURES.items()},
        }
        for v in known
    ]
    table_view(pd.DataFrame(rows), "Model versions and their measures")


def _why(known: list[ModelVersion]) -> None:
    """Say in full what the last retrain found: the table cuts it off."""
    last = known[-1]
    if not last.path:
        return
    with st.expander(f"What was found about {md(last.version)}"):
        st.write(md(last.note, 2000))
        for name in ("aside", "labels", "weights", "notes", "limits"):
            for words in _sentences(last.metrics.get(name)):
                st.write(md(words, 2000))


def _sentences(value: object) -> list[str]:
    if isinstance(value, str):
        return [value] if value else []
    return [str(entry) for entry in value] if isinstance(value, list) else []


def _promote(ws: Workspace, actor: Actor, known: list[ModelVersion]) -> None:
    others = [version.version for version in known if not version.live]
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
                st.session_state["model_done"] = f"{version} is live now."
                st.rerun()


def _judge_again(ws: Workspace, actor: Actor) -> None:
    st.subheader("Judge past photos again", anchor=False)
    st.write("The live version's verdicts are added; earlier verdicts and decisions stay as they are.")
    rounds = rounds_to_judge(ws, actor)
    if not rounds:
        st.info("The live version has judged every photo.", icon=":material/done_all:")
    choices: dict[str, int | None] = {_round_words(entry): entry.round_id for entry in rounds}
    choices[_EVERY] = None
    chosen = st.selectbox("Which photos", list(choices), key="rescore_round") if rounds else _EVERY
    start = partial(start_rescore, round_id=choices[str(chosen)])
    job_panel(
        ws,
        actor,
        RESCORE,
        "Judge again" if rounds else "",
        start,
        icon=":material/replay:",
        stop_help="Stops after the photo at hand; what is judged is kept.",
    )


def _round_words(entry: RoundToJudge) -> str:
    week = f"{plain(entry.site_key)}, week {entry.iso_week} of {entry.iso_year}"
    return f"{week}: {entry.left} of {entry.photos} photos"
