"""Choosing a site or a unit; the choice stays when the page changes and can be shared as a link."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import streamlit as st

from data_tools.access import Actor
from data_tools.keys import KnownKeys
from data_tools.records import Site, Unit
from data_tools.sites import get_unit, list_sites, list_units
from data_tools.workspace import Workspace
from model.errors import RoundsError
from review_app.widgets.text import md, plain


def pick_site(
    ws: Workspace,
    actor: Actor,
    *,
    every: bool = False,
    label_visibility: Literal["visible", "collapsed"] = "visible",
) -> Site | None:
    """Return the chosen site, or None where there is none (or where ``every`` site is chosen)."""
    sites = {site.key: site for site in list_sites(ws, actor)}
    st.session_state["sites"] = sites
    if not sites:
        st.info("There is no open site. A maintenance lead adds one with `rounds add-site`.")
        return None
    options = ["", *sites] if every else list(sites)
    name = "every_site" if every else "site"
    _site_of_unit(ws, actor, name, options)
    _from_link(name, options)
    key = st.selectbox(
        "Site",
        options,
        format_func=lambda key: site_title(sites[key]) if key else "All sites",
        key=name,
        label_visibility=label_visibility,
        persist_state="session",
        width=480,
    )
    _into_link(name, key)
    return sites.get(key or "")


def pick_unit(
    ws: Workspace, actor: Actor, site: Site, *, label: str = "Unit", first: Mapping[str, str] | None = None
) -> Unit | None:
    """Return the chosen unit of ``site``, or None where it has none.

    ``first`` names units that are offered before the others, each with a word that is added to its title.
    """
    units = {unit.key: unit for unit in list_units(ws, actor, site.key)}
    if not units:
        st.info("This site has no units yet. Your maintenance lead adds them with `rounds add-unit`.")
        return None
    notes = first or {}
    ordered = [*(key for key in notes if key in units), *(key for key in units if key not in notes)]

    _as_spelled(KnownKeys(units))

    def title(key: str) -> str:
        return unit_title(units[key]) + (f" ({notes[key]})" if key in notes else "")

    _from_link("unit", ordered)
    key = st.selectbox(label, ordered, format_func=title, key="unit", persist_state="session")
    _into_link("unit", key)
    return units.get(key or "")


def _site_of_unit(ws: Workspace, actor: Actor, name: str, options: Sequence[str]) -> None:
    """Where the page's address newly asks for a unit and no site, choose the unit's: a label may hold one."""
    asked = st.query_params.get("unit")
    if not asked or asked == st.session_state.get("asked_unit") or name in st.query_params:
        return
    try:
        site = get_unit(ws, actor, asked).site_key
    except RoundsError:
        return
    if site in options:
        st.session_state[name] = site


def _as_spelled(known: KnownKeys) -> None:
    """Where the page's address newly asks for a unit, spell it as here; where it is not here, say so: the
    page goes on with another unit, which must not be taken for the one that was asked for."""
    asked = st.query_params.get("unit")
    if not asked or asked == st.session_state.get("asked_unit"):
        return
    found = known.get(asked)
    if found is None:
        st.warning(f"There is no unit {md(asked, 60)} at this site. Another one is shown.")
    elif found != asked:
        st.query_params["unit"] = found


def _from_link(name: str, options: Sequence[str]) -> None:
    """Choose what the page's address asks for, when it has changed; forget what is no option here."""
    asked = st.query_params.get(name)
    if asked != st.session_state.get(f"asked_{name}"):
        st.session_state[f"asked_{name}"] = asked
        if asked in options:
            st.session_state[name] = asked
    if name in st.session_state and st.session_state[name] not in options:
        del st.session_state[name]


def _into_link(name: str, chosen: str | None) -> None:
    """Write the choice into the page's address, so that it can be sent to somebody."""
    if chosen and chosen != st.query_params.get(name):
        st.query_params[name] = chosen
    st.session_state[f"asked_{name}"] = st.query_params.get(name)


def site_called(key: str) -> Site:
    """Return the open site of that key, on a page that drew ``pick_site``; a closed one has only its key."""
    sites: dict[str, Site] = st.session_state.get("sites", {})
    return sites.get(key) or Site(0, key, key, "UTC")


def site_title(site: Site) -> str:
    """Return what people call a site, and one not to be taken for it, as of units."""
    return plain(site.name + (f" ({site.key}, not {site.alike})" if site.alike else ""))


def unit_title(unit: Unit) -> str:
    """Return what people call a unit: its key, its name where it has another, and a unit not to be taken for
    it, where an older store holds two keys that are alike."""
    name = f" · {unit.name}" if unit.name and unit.name != unit.key else ""
    return plain(f"{unit.key}{name}" + (f" (not {unit.alike})" if unit.alike else ""))
