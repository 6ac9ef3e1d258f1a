"""Units: a coupler that is entered as another connector family than its photos show, and putting it right."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from data_tools.access import Actor, Permission
from data_tools.coupler_family import FamilyDoubt, correct_family, families_in_doubt
from data_tools.records import Site
from data_tools.workspace import Workspace
from model.errors import RoundsError
from model.families import FAMILIES, family
from review_app.widgets.text import md

CORRECT = "Correct the entry"
_NAMED = 12


def draw_family_doubts(ws: Workspace, actor: Actor, site: Site, unit_key: str) -> None:
    """Say which couplers of the unit, and which other units of the site, are in doubt."""
    said = st.session_state.pop("family_corrected", None)
    if said:
        st.success(md(said, 600), icon=":material/check_circle:")
    doubts = families_in_doubt(ws, actor, site.key)
    for doubt in doubts:
        if doubt.unit_key == unit_key:
            _one(ws, actor, doubt)
    _others([doubt.unit_key for doubt in doubts if doubt.unit_key != unit_key])


def _one(ws: Workspace, actor: Actor, doubt: FamilyDoubt) -> None:
    seen = family(doubt.seen).title
    entered = FAMILIES[doubt.entered].title if doubt.entered in FAMILIES else doubt.entered
    may = actor.may(Permission.ACT)
    st.warning(
        f"Coupler {md(doubt.position)} is entered as {md(entered)}, but its last photos look like {seen}. "
        "What is confirmed on them does not teach the model. Look at the coupler: if it is a "
        f"{seen}, {'correct the entry.' if may else 'tell the technician, who corrects the entry here.'}",
        icon=":material/rule:",
    )
    if not may:
        return
    name = f"{doubt.unit_key}_{doubt.position}"
    with st.expander(f"It is a {seen}: correct the entry"), st.form(f"family_form_{name}"):
        st.caption("The coupler stays the same one: its photos and all that was said of them stay with it.")
        why = st.text_input("How you know", max_chars=500, key=f"family_why_{name}").strip()
        if not st.form_submit_button(CORRECT):
            return
    if not why:
        st.error("Write how you know.")
        return
    try:
        event = correct_family(ws, actor, doubt.unit_key, doubt.position, doubt.seen, why)
    except RoundsError as error:
        st.error(md(str(error), 600))
        return
    st.session_state["family_corrected"] = f"Corrected. {event.reason}"
    st.session_state.pop(
        "desk", None
    )  # it may hold photos of this coupler with the places of the other family
    st.rerun()


def _others(unit_keys: Sequence[str]) -> None:
    names = list(dict.fromkeys(unit_keys))
    if names:
        more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
        st.caption(
            f"Units here whose photos look like another connector family than entered: "
            f"{md(', '.join(names[:_NAMED]))}{more}."
        )
