"""Act: units with confirmed damage, units out of service, and what is done about each."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from data_tools.access import Actor, Permission
from data_tools.conditions import CAUTIONS, replace_coupler, return_to_service, take_out_of_service
from data_tools.history import timeline
from data_tools.open_damage import OpenDamage
from data_tools.records import Site, Unit, UnitStatus
from data_tools.sites import roster
from data_tools.workspace import Workspace
from model.errors import RoundsError
from model.families import FAMILIES
from review_app import access, resources
from review_app.site_board import damage_by_unit
from review_app.standing import findings_words, standing_of_line
from review_app.widgets.pickers import pick_site, pick_unit, unit_title
from review_app.widgets.roster import rows_html
from review_app.widgets.text import md, plain
from review_app.widgets.work_sheet import work_sheet
from review_app.wording import SIGNS, Standing

_STOP, _REPLACE, _RETURN = "Take out of service", "Replace the coupler", "Return to service"


def show() -> None:
    """Draw the page."""
    ws, actor = resources.workspace(), access.here()
    if not actor.may(Permission.ACT):
        st.error("Only technicians and leads act on units.")
        return
    st.title("Act")
    done = st.session_state.pop("acted", None)
    if done:
        st.success(done, icon=":material/check_circle:")
    site = pick_site(ws, actor)
    if site is None:
        return
    waiting = _open_work(ws, actor, site)
    unit = pick_unit(ws, actor, site, label="Unit to act on", first=waiting)
    if unit is not None:
        _actions(ws, actor, site, unit)


def _open_work(ws: Workspace, actor: Actor, site: Site) -> dict[str, str]:
    """List the units that wait for somebody; return their standing in a word, by unit key."""
    lines = roster(ws, actor, site.key)
    damage = damage_by_unit(ws, actor, site)
    standings = [(line, standing_of_line(line, damage.get(line.unit.key, ()))) for line in lines]
    waiting = [pair for pair in standings if pair[1] in (Standing.DO_NOT_USE, Standing.OUT_OF_SERVICE)]
    if not waiting:
        st.info("No unit of this site is out of service or waiting to be taken out.")
        return {}
    stop = sum(standing is Standing.DO_NOT_USE for _, standing in waiting)
    st.markdown(f"**{stop}** in service but not to be used · **{len(waiting) - stop}** out of service")
    notes = {key: _damage_words(found) for key, found in damage.items()}
    st.html(rows_html(waiting, site.timezone, notes))
    return {line.unit.key: SIGNS[standing].short.lower() for line, standing in waiting}


def _damage_words(found: list[OpenDamage]) -> str:
    words = [findings_words(damage.findings) if damage.findings else "damage suspected" for damage in found]
    confirmed = all(damage.confirmed for damage in found)
    return "; ".join(words) + (" (confirmed)" if confirmed else " (not yet reviewed)")


def _actions(ws: Workspace, actor: Actor, site: Site, unit: Unit) -> None:
    out = unit.status is UnitStatus.OUT_OF_SERVICE
    options = [_REPLACE, _RETURN] if out else [_STOP, _REPLACE]
    with st.container(border=True):
        st.subheader(md(unit_title(unit)), anchor=False)
        what = st.pills("What was done?", options, default=options[0], key=f"what_{unit.key}_{out}")
        _cautions()
        if what == _REPLACE:
            _replace_form(ws, actor, unit)
        elif what in (_STOP, _RETURN):
            _reason_form(ws, actor, unit, what)
    _sheet(ws, actor, site, unit)


def _cautions() -> None:
    with st.expander("Before you touch anything", expanded=True):
        st.markdown("\n".join(f"- {md(caution, 400)}" for caution in CAUTIONS))


def _reason_form(ws: Workspace, actor: Actor, unit: Unit, what: str) -> None:
    with st.form(f"{what}_{unit.key}", clear_on_submit=True):
        reason = st.text_area(
            "Reason",
            max_chars=500,
            height=80,
            placeholder="What was found, what was done",
            key=f"reason_{unit.key}",
        )
        sure = what != _RETURN or st.checkbox(
            "A qualified person has checked it and it may be used again", key=f"checked_{unit.key}"
        )
        if st.form_submit_button(what, type="primary"):
            if not reason.strip() or not sure:
                st.error(
                    "Write the reason." if sure else "Tick the check first: a unit is returned only after it."
                )
                return
            verb = take_out_of_service if what == _STOP else return_to_service
            said = "is out of service until somebody returns it." if what == _STOP else "is back in service."
            _do(lambda: verb(ws, actor, unit.key, reason.strip()), f"Unit {md(unit.key)} {said}")


def _replace_form(ws: Workspace, actor: Actor, unit: Unit) -> None:
    with st.form(f"replace_{unit.key}", clear_on_submit=True):
        positions = [coupler.position for coupler in unit.couplers] or ["A"]
        position = st.selectbox("Position", positions) if len(positions) > 1 else positions[0]
        now_on = next((c for c in unit.couplers if c.position == position), None)
        families = list(FAMILIES)
        family_key = st.selectbox(
            "Connector family",
            families,
            index=families.index(now_on.family) if now_on and now_on.family in families else 0,
            format_func=lambda key: FAMILIES[key].title,
        )
        part = st.text_input("Part number of the new coupler", max_chars=80, key=f"part_{unit.key}")
        reason = st.text_area(
            "Reason",
            max_chars=500,
            height=80,
            placeholder="What was found on the old coupler",
            key=f"reason_{unit.key}",
        )
        if st.form_submit_button(_REPLACE, type="primary"):
            if not reason.strip():
                st.error("Write the reason.")
                return
            _do(
                lambda: replace_coupler(
                    ws, actor, unit.key, str(position), part.strip(), reason.strip(), family=family_key
                ),
                f"Unit {md(unit.key)} has a new coupler on position {md(str(position))}. "
                "A unit that was out of service stays so until somebody returns it.",
            )


def _do(verb: Callable[[], object], said: str) -> None:
    try:
        verb()
    except RoundsError as error:
        st.error(md(str(error), 600))
        return
    st.session_state["acted"] = said
    st.rerun()


def _sheet(ws: Workspace, actor: Actor, site: Site, unit: Unit) -> None:
    """Offer the printable work sheet of the unit."""
    sheet = work_sheet(
        timeline(ws, actor, unit.key),
        site,
        actor.name,
        CAUTIONS,
        lambda photo: resources.picture(ws, photo, resources.MEDIUM),
    )
    st.download_button(
        "Work sheet to print (one file with photos)",
        sheet,
        file_name=f"work-sheet-{plain(unit.key)}.html",
        mime="text/html",
        icon=":material/print:",
        on_click="ignore",
        key=f"sheet_{unit.key}",
    )
