"""The review app: who is there, which pages they may see, run. Start it with ``rounds app``."""

from __future__ import annotations

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


def pages_for(actor: Actor) -> list[st.Page]:
    """Return the pages that the actor's role may open, in the order of the week's work."""
    return [
        st.Page(_SCREENS / f"{name}.py", title=title, icon=icon, url_path=name)
        for name, title, icon, permission in _PAGES
        if actor.may(permission)
    ]


def main() -> None:
    """Draw the page that the person asked for."""
    st.set_page_config(page_title="Coupler Rounds", page_icon=look.icon(), layout="wide")
    look.put_on()
    actor = None
    with told_plainly():
        actor = access.sign_in(resources.workspace().settings)
    resources.get_ready(actor)
    if actor is None:
        return
    pages = pages_for(actor)
    page = st.navigation(pages, position="hidden")
    with st.container(horizontal=True, key="nav"):
        for entry in pages:
            st.page_link(entry)
    with told_plainly():
        page.run()
    with st.container(horizontal=True, vertical_alignment="center", key="who"):
        st.caption(f"{md(actor.name)} · {ROLE_WORDS[actor.role][0]}")
        leave = "Sign out" if access.is_shared() else "Somebody else"
        st.button(leave, key="somebody_else", on_click=access.sign_out, type="tertiary")


main()
