"""The review app: who is there, which pages they may see, run. Start it with ``rounds app``."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import streamlit as st

from data_tools.access import Actor, Permission
from review_app import access, resources
from review_app.widgets import look
from review_app.widgets.guard import told_plainly
from review_app.widgets.text import md
from review_app.wording import ROLE_WORDS

_SCREENS = Path(__file__).parent / "screens"
_PAGES: tuple[tuple[str, str, str, Permission], ...] = (
    ("send", "Send a round", ":material/photo_camera:", Permission.SEND),
    ("review", "Review", ":material/fact_check:", Permission.DECIDE),
    ("act", "Act", ":material/build:", Permission.ACT),
    ("unit", "Units", ":material/history:", Permission.SEE),
    ("trends", "Trends", ":material/monitoring:", Permission.PLAN),
    ("models", "Models", ":material/model_training:", Permission.MANAGE_MODELS),
)


def pages_for(actor: Actor | None) -> dict[str, st.Page]:
    """Return the pages by name, in the order of the week's work; those that the role may not open refuse.

    Every address is known at any time, or Streamlit would say over the page that it does not exist.
    """
    pages = {}
    for name, title, icon, permission in _PAGES:
        source = _SCREENS / f"{name}.py" if actor and actor.may(permission) else partial(_refuse, title)
        pages[name] = st.Page(source, title=title, icon=icon, url_path=name)
    return pages


def _refuse(title: str) -> None:
    st.error(f"{title} is not part of what you do here.", icon=":material/lock:")


def _start() -> None:
    """Stand for the bare address, from which everybody is sent on: the default page has no other address."""


def main() -> None:
    """Draw the page that the person asked for."""
    st.set_page_config(page_title="Coupler Rounds", page_icon=look.icon(), layout="wide")
    look.put_on()
    actor = None
    with told_plainly():
        actor = access.sign_in(resources.workspace().settings)
    resources.get_ready(actor)
    pages = pages_for(actor)
    start = st.Page(_start, title="Coupler Rounds", default=True)
    page = st.navigation([start, *pages.values()], position="hidden")
    if actor is None:
        return
    own = [pages[name] for name, _, _, permission in _PAGES if actor.may(permission)]
    if page == start:
        st.switch_page(own[0])
    with st.container(horizontal=True, key="nav"):
        for entry in own:
            st.page_link(entry)
    with told_plainly():
        page.run()
    with st.container(horizontal=True, vertical_alignment="center", key="who"):
        st.caption(f"{md(actor.name)} · {ROLE_WORDS[actor.role][0]}")
        leave = "Sign out" if access.is_shared() else "Somebody else"
        st.button(leave, key="somebody_else", on_click=access.sign_out, type="tertiary")


main()
