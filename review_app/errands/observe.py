"""What a photo does not show: a stuck release button, a cut cable, dirt, a fault light, free words."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from data_tools.access import Actor
from data_tools.conditions import observe
from data_tools.records import ObservationKind, Unit
from data_tools.workspace import Workspace
from model.errors import RoundsError
from review_app.widgets.pickers import unit_title
from review_app.widgets.text import md, plain
from review_app.widgets.verdict_card import card
from review_app.wording import OBSERVATIONS, Standing

_BY_WHAT = {entry.what: entry for entry in OBSERVATIONS}
MAX_BLINKS = 50


def observation_form(ws: Workspace, actor: Actor, units: Sequence[Unit], unit_key: str | None) -> None:
    """Draw the form, and what to do now after it was sent."""
    said = st.session_state.pop("observed", None)
    if said:
        st.html(said)
    keys = [unit.key for unit in units]
    titles = {unit.key: unit_title(unit) for unit in units}
    number = st.session_state.setdefault("observe_number", 0)
    with st.form(f"observe_{number}"):
        unit = st.selectbox(
            "At which unit?",
            keys,
            index=keys.index(unit_key) if unit_key in keys else None,
            format_func=lambda key: titles[key],
            placeholder="Choose the unit",
            key=f"observe_unit_{number}",
        )
        seen = [
            entry.what
            for entry in OBSERVATIONS
            if st.checkbox(entry.words, key=f"observe_{entry.what}_{number}")
        ]
        blinks = st.number_input(
            "If a light shows a fault: blinks between pauses (0: steady or not counted)",
            min_value=0,
            max_value=MAX_BLINKS,
            value=0,
            key=f"observe_blinks_{number}",
        )
        note = st.text_area(
            "Anything else, in your own words", max_chars=1000, height=80, key=f"observe_note_{number}"
        )
        if st.form_submit_button("Send what I saw", width="stretch"):
            _send(ws, actor, unit, seen, int(blinks), note)


def _send(
    ws: Workspace, actor: Actor, unit: str | None, seen: list[ObservationKind], blinks: int, note: str
) -> None:
    if not unit or not (seen or note.strip() or blinks):
        st.error("Choose the unit, and tick what you saw or write it down.")
        return
    if blinks and ObservationKind.INDICATOR_FAULT not in seen:
        seen = [*seen, ObservationKind.INDICATOR_FAULT]
    try:
        for what in seen or [ObservationKind.OTHER]:
            counted = blinks if what is ObservationKind.INDICATOR_FAULT and blinks else None
            observe(ws, actor, unit, what, note.strip(), blinks=counted)
    except RoundsError as error:
        st.error(md(str(error), 600))
        return
    st.session_state["observed"] = _answer(unit, seen)
    st.session_state["observe_number"] += 1
    st.rerun()


def _answer(unit: str, seen: Sequence[ObservationKind]) -> str:
    entries = [_BY_WHAT[what] for what in seen]
    steps = [entry.then for entry in entries]
    if any(entry.stop for entry in entries):
        return card(
            Standing.DO_NOT_USE, unit=f"Unit {plain(unit)}", body="Recorded. Do this now:", steps=steps
        )
    return card(
        Standing.LOOK,
        unit=f"Unit {plain(unit)}",
        body="Recorded with your name and the time.",
        steps=steps,
        words="Recorded",
    )
