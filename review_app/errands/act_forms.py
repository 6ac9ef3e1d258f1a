"""The forms of the act screen: out of service, replaced, returned, and what staff noted put right."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from data_tools.access import Actor
from data_tools.conditions import (
    replace_coupler,
    return_to_service,
    settle_observation,
    take_out_of_service,
)
from data_tools.records import EventRecord, Unit, UnitStatus
from data_tools.workspace import Workspace
from model.errors import RoundsError
from model.families import FAMILIES
from review_app.standing import observation_words
from review_app.widgets.text import md, plain
from review_app.wording import sentence

STOP, REPLACE, RETURN = "Take out of service", "Replace the coupler", "Return to service"
SETTLE = "Settle what was noted"


def options_for(unit: Unit, noted: Sequence[EventRecord]) -> list[str]:
    """Return what can be done to the unit now, the likeliest first."""
    out = unit.status is UnitStatus.OUT_OF_SERVICE
    return [*([REPLACE, RETURN] if out else [STOP, REPLACE]), *([SETTLE] if noted else [])]


def draw_form(ws: Workspace, actor: Actor, unit: Unit, noted: Sequence[EventRecord], what: str) -> None:
    """Draw the form for ``what`` was done."""
    if what == REPLACE:
        _replace_form(ws, actor, unit)
    elif what == SETTLE:
        _settle_form(ws, actor, unit, noted)
    else:
        _reason_form(ws, actor, unit, what)


def _key(name: str, unit: Unit) -> str:
    """Return a field's key; it changes once something was done, so that the next form starts empty."""
    return f"{name}_{unit.key}_{st.session_state.setdefault('acts', 0)}"


def _form(unit: Unit) -> DeltaGenerator:
    """Return the unit's form: one for all that can be done, so that words typed before choosing are kept."""
    return st.form(f"act_on_{unit.key}")


def _reason_field(unit: Unit, placeholder: str, label: str = "Reason") -> str:
    words = st.text_area(label, max_chars=500, height=80, placeholder=placeholder, key=_key("reason", unit))
    return words.strip()


def _reason_form(ws: Workspace, actor: Actor, unit: Unit, what: str) -> None:
    with _form(unit):
        reason = _reason_field(unit, "What was found, what was done")
        sure = what != RETURN or st.checkbox(
            "A qualified person has checked it and it may be used again", key=_key("checked", unit)
        )
        if not st.form_submit_button(what, type="primary"):
            return
    if not reason:
        st.error("Write the reason.")
    elif not sure:
        st.error("Tick the check first: a unit is returned only after it.")
    else:
        verb = take_out_of_service if what == STOP else return_to_service
        said = "is out of service until somebody returns it." if what == STOP else "is back in service."
        _do(lambda: verb(ws, actor, unit.key, reason), f"Unit {md(unit.key)} {said}")


def _replace_form(ws: Workspace, actor: Actor, unit: Unit) -> None:
    positions = [coupler.position for coupler in unit.couplers] or ["A"]
    position = positions[0]
    if len(positions) > 1:
        # Outside the form: the family offered below has to be that of the position chosen here.
        position = str(st.selectbox("Position", positions, key=f"position_{unit.key}"))
    now_on = next((c for c in unit.couplers if c.position == position), None)
    families = list(FAMILIES)
    with _form(unit):
        family_key = st.selectbox(
            "Connector family",
            families,
            index=families.index(now_on.family) if now_on and now_on.family in families else 0,
            format_func=lambda key: FAMILIES[key].title,
            key=f"family_{unit.key}_{position}",
        )
        part = st.text_input("Part number of the new coupler", max_chars=80, key=_key("part", unit))
        swapped_at = st.datetime_input(
            "When it was swapped (empty: now), in the site's time",
            value=None,
            key=_key("swapped", unit),
            help="Photos taken since then are of the new coupler. Of an hour that the clocks repeat, the "
            "earlier one counts.",
        )
        reason = _reason_field(unit, "What was found on the old coupler")
        if not st.form_submit_button(REPLACE, type="primary"):
            return
    if not reason:
        st.error("Write the reason.")
        return
    _do(
        lambda: replace_coupler(
            ws, actor, unit.key, position, part.strip(), reason, family_key, swapped_at=swapped_at
        ),
        f"Unit {md(unit.key)} has a new coupler on position {md(position)}. "
        "A unit that was out of service stays so until somebody returns it.",
    )


def _settle_form(ws: Workspace, actor: Actor, unit: Unit, noted: Sequence[EventRecord]) -> None:
    by_id = {event.id: event for event in noted}
    with _form(unit):
        number = st.selectbox(
            "What was noted",
            list(by_id),
            format_func=lambda key: plain(sentence(observation_words(by_id[key]))),
            key=f"noted_{unit.key}",
        )
        how = _reason_field(unit, "Found nothing, cleaned, mended, tested …", "What you found or put right")
        if not st.form_submit_button(SETTLE, type="primary"):
            return
    if not how or number is None:
        st.error("Write what you found or put right.")
        return
    _do(
        lambda: settle_observation(ws, actor, number, how),
        f"Unit {md(unit.key)}: {md(observation_words(by_id[number]))} is settled.",
    )


def _do(verb: Callable[[], object], said: str) -> None:
    try:
        verb()
    except RoundsError as error:
        st.error(md(str(error), 600))
        return
    st.session_state["acted"] = said
    st.session_state["acts"] += 1
    st.rerun()
