"""Who is there. Alone on one machine: a chosen name and role. Shared: a login, with roles from the settings.

The role decides which pages are listed; the verbs of data_tools check it again themselves.
"""

from __future__ import annotations

import getpass
import ipaddress
import time

import streamlit as st

from data_tools.access import Actor, Permission, Role
from data_tools.keys import tidy_name
from data_tools.people import spelled_as_before
from data_tools.settings import Settings
from model.errors import NotAllowedError
from review_app import resources
from review_app.widgets.text import md, plain
from review_app.wording import ROLE_WORDS

LOGIN_HOURS = 12
"""A login older than this is asked for again; the cookie alone would last a month."""

_KEY = "actor"


class LoggedIn(Actor):
    """Somebody let in by a login. The role is looked up again whenever it is used: a part of a page drawn
    alone, or a button's work, asks nobody to sign in."""

    def may(self, permission: Permission) -> bool:
        """Whether this person has that role now, and it holds ``permission``."""
        return self._still() and super().may(permission)

    def require(self, permission: Permission) -> None:
        """Raise ``NotAllowedError`` unless this person has that role now, and it holds ``permission``."""
        if not self._still():
            raise NotAllowedError(
                f"{self.name} as {self.role.value}", "no such entry in `people` any more", "Ask your lead."
            )
        super().require(permission)

    def _still(self) -> bool:
        return resources.settings_now().roles_by_email.get(self.name) is self.role


def is_shared() -> bool:
    """Whether a login is configured (an ``[auth]`` section in Streamlit's secrets)."""
    return st.secrets.load_if_toml_exists() and "auth" in st.secrets


def is_loopback() -> bool:
    """Whether the server listens on this machine only."""
    address = st.get_option("server.address") or ""
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return address == "localhost"


@st.cache_resource(show_spinner=False)
def _last_local_person() -> dict[str, Actor]:
    """Return the memory of who last chose a name here, so that a reloaded page does not ask again."""
    return {}


def sign_in(settings: Settings) -> Actor | None:
    """Return who is using this tab, or draw what is needed to find out and return None."""
    if is_shared():
        actor = _by_login(resources.settings_now())
        if actor is not None:
            st.session_state[_KEY] = actor
        return actor
    if not is_loopback():
        st.error(
            "This server can be reached from other machines, but no login is set up. "
            "Set one up, or start the app on 127.0.0.1."
        )
        return None
    return _by_choice(settings)


def sign_out() -> None:
    """Forget who is using this tab."""
    st.session_state.clear()
    _last_local_person().clear()
    if is_shared():
        st.logout()


def _by_login(settings: Settings) -> Actor | None:
    issued = st.user.get("iat")
    fresh = issued is None or time.time() - float(str(issued)) < LOGIN_HOURS * 3600
    if not st.user.get("is_logged_in") or not fresh:
        st.title("Coupler Rounds", anchor=False)
        st.write(
            "Sign in with your work account." if fresh else "Your sign-in is too old. Please sign in again."
        )
        if st.button("Sign in", type="primary"):
            st.login()
        return None
    email = tidy_name(plain(str(st.user.get("email") or ""))).lower()
    # An address the provider has not verified could be anybody's.
    role = None if st.user.get("email_verified") is False else settings.roles_by_email.get(email)
    if role is None:
        st.error(f"{md(email) or 'This account'} has no role here. Ask your maintenance lead to add it.")
        if st.button("Sign out"):
            st.logout()
        return None
    return LoggedIn(email, role)


def _by_choice(settings: Settings) -> Actor | None:
    chosen: Actor | None = st.session_state.get(_KEY) or _last_local_person().get(_KEY)
    if chosen is None:
        _ask_name(settings)
        return None
    st.session_state[_KEY] = chosen
    return chosen


def _ask_name(settings: Settings) -> None:
    st.title("Coupler Rounds", anchor=False)
    st.write("Who is using this machine? Your name is kept with everything you send or decide.")
    with st.form("who"):
        name = st.text_input("Your name", value=settings.default_name or getpass.getuser(), max_chars=60)
        role = st.radio(
            "What you do",
            list(Role),
            index=list(Role).index(settings.default_role),
            format_func=lambda role: ROLE_WORDS[role][0],
            captions=[ROLE_WORDS[role][1] for role in Role],
        )
        if st.form_submit_button("Start", type="primary", width="stretch"):
            if plain(name) and role is not None:
                signed = spelled_as_before(resources.workspace(), plain(name, 60))
                st.session_state[_KEY] = _last_local_person()[_KEY] = Actor(signed, role)
                st.rerun()
            st.error("Please write your name.")


def here() -> Actor:
    """Return who is using this tab, on a page that is only drawn after ``sign_in``."""
    actor: Actor = st.session_state[_KEY]
    return actor
