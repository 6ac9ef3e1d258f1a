"""Choosing a site or a unit; the choice stays when the page changes and can be shared as a link."""

from __future__ import annotations

import streamlit as st

from data_tools.access import Actor
from data_tools.records import Site, Unit
from data_tools.sites import list_sites, list_units
from data_tools.workspace import Workspace
from review_app.widgets.text import plain


def pick_site(ws: Workspace, actor: Actor, *, every: bool = False) -> Site | None:
    """Return the chosen site, or None where there is none (or where ``every`` site is chosen)."""
    sites = {site.key: site for site in list_sites(ws, actor)}
    st.session_state["zones"] = {site.key: site.timezone for site in sites.values()}
    if not sites:
        st.info("There is no site yet. Your maintenance lead adds one with `rounds add-site`.")
        return None
    options = ["", *sites] if every else list(sites)
    key = st.selectbox(
        "Site",
        options,
        format_func=lambda key: plain(sites[key].name) if key else "All sites",
        key="every_site" if every else "site",
        bind="query-params",
    )
    return sites.get(key or "")


def pick_unit(ws: Workspace, actor: Actor, site: Site, *, label: str = "Unit") -> Unit | None:
    """Return the chosen unit of ``site``, or None where it has none."""
    units = {unit.key: unit for unit in list_units(ws, actor, site.key)}
    if not units:
        st.info("This site has no units yet. Your maintenance lead adds them with `rounds add-unit`.")
        return None
    key = st.selectbox(
        label, list(units), format_func=lambda key: unit_title(units[key]), key="unit", bind="query-params"
    )
    return units.get(key or "")


def unit_title(unit: Unit) -> str:
    """Return what people call a unit: its key, and its name where it has another."""
    return plain(f"{unit.key} · {unit.name}") if unit.name and unit.name != unit.key else plain(unit.key)
