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
_OF_THE_COUPLER = frozenset(
    {
        ObservationKind.RELEASE_BUTTON_STICKS,
        ObservationKind.CABLE_CUT_OR_FRAYED,
        ObservationKind.DEBRIS_IN_FACE,
    }
)
"""What ends with the coupler: a new one does not inherit it. A fault light is the unit's."""
MAX_BLINKS = 50


def observation_form(
    ws: Workspace, actor: Actor, units: Sequence[Unit], target: tuple[str, str] | None = None
) -> None:
    """Draw the form, and what to do now after it was sent; ``target`` is the unit and position at hand."""
    said = st.session_state.pop("observed", None)
    if said:
        st.html(said)
    titles = _titles(units)
    keys = list(titles)
    number = st.session_state.setdefault("observe_number", 0)
    with st.form(f"observe_{number}"):
        unit = st.selectbox(
            "At which unit?",
            keys,
            index=keys.index(target) if target in titles else None,
            format_func=lambda key: titles[key],
            placeholder="Choose the unit",
            # A field keeps its unit while its key stays: another one chosen above is a new field.
            key=f"observe_unit_{number}_{target if target in titles else ''}",
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


def _titles(units: Sequence[Unit]) -> dict[tuple[str, str], str]:
    """Return the couplers to choose from, by unit and position; one alone goes by its unit's name."""
    titles = {}
    for unit in units:
        for coupler in unit.couplers:
            part = f", coupler {plain(coupler.position)}" if len(unit.couplers) > 1 else ""
            titles[unit.key, coupler.position] = unit_title(unit) + part
    return titles


def _send(
    ws: Workspace,
    actor: Actor,
    where: tuple[str, str] | None,
    seen: list[ObservationKind],
    blinks: int,
    note: str,
) -> None:
    if not where or not (seen or note.strip() or blinks):
        st.error("Choose the unit, and tick what you saw or write it down.")
        return
    if blinks and ObservationKind.INDICATOR_FAULT not in seen:
        seen = [*seen, ObservationKind.INDICATOR_FAULT]
    try:
        for what in seen or [ObservationKind.OTHER]:
            counted = blinks if what is ObservationKind.INDICATOR_FAULT and blinks else None
            position = where[1] if what in _OF_THE_COUPLER else None
            observe(ws, actor, where[0], what, note.strip(), blinks=counted, position=position)
    except RoundsError as error:
        st.error(md(str(error), 600))
        return
    st.session_state["observed"] = _answer(where[0], seen)
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
