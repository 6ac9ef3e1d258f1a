"""Units: moving a photo that was filed under the wrong coupler to the one that it shows."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import streamlit as st

from data_tools.access import Actor, Permission
from data_tools.history import timeline
from data_tools.records import Coupler, Site
from data_tools.refile import refile
from data_tools.sites import list_units
from data_tools.standing import OPEN
from data_tools.workspace import Workspace
from model.errors import RoundsError
from review_app.stories import PhotoStory
from review_app.widgets.text import clock, md, plain

MOVE = "Move the photo"
_GONE = (
    "That coupler is off its unit: once moved there, the damage in this photo is no longer listed as open. "
    "If the photo may show the coupler that is there now, choose that one."
)
_STAYS = "The damage in this photo is open on that coupler until somebody rules on it there."


def draw_move(
    ws: Workspace, actor: Actor, site: Site, stories: Sequence[PhotoStory], title: Callable[[Coupler], str]
) -> None:
    """Draw the form, closed until somebody needs it; ``title`` puts a coupler into words."""
    said = st.session_state.pop("moved", None)
    if said:
        st.success(md(said, 600), icon=":material/check_circle:")
    if not stories or not actor.may(Permission.DECIDE):
        return
    turn = st.session_state.setdefault("moves", 0)
    with st.expander("Is a photo here of another coupler?"):
        by_id = {story.photo.id: story for story in reversed(stories)}
        photo_id = st.selectbox(
            "Photo",
            list(by_id),
            format_func=lambda key: plain(
                f"{clock(by_id[key].at, site.timezone)}, {by_id[key].photo.file_name}"
            ),
            key=f"move_photo_{stories[0].photo.coupler_id}_{turn}",
        )
        unit_key = st.selectbox(
            "It shows unit",
            [unit.key for unit in list_units(ws, actor, site.key)],
            index=None,
            placeholder="Choose, or type one of another site",
            accept_new_options=True,
            key=f"move_to_{turn}",
        )
        try:
            _where_and_why(ws, actor, by_id[photo_id], unit_key, title)
        except RoundsError as error:
            st.error(md(str(error), 600))


def _where_and_why(
    ws: Workspace,
    actor: Actor,
    story: PhotoStory,
    unit_key: str | None,
    title: Callable[[Coupler], str],
) -> None:
    by_id = {c.id: c for c in timeline(ws, actor, unit_key).couplers} if unit_key else {}
    coupler_id = next(iter(by_id), None)
    if len(by_id) > 1:
        # Nothing is chosen beforehand: which of them it is can only be seen on the photo or by its time.
        coupler_id = st.selectbox(
            "Which of its couplers",
            list(by_id),
            index=None,
            format_func=lambda key: title(by_id[key]),
            key=f"move_coupler_{unit_key}",
        )
    if coupler_id is not None and story.state is not None and story.state.stand in OPEN:
        st.caption(_GONE if by_id[coupler_id].removed_on else _STAYS)
    why = st.text_input("Why", max_chars=500, key=f"move_why_{st.session_state['moves']}").strip()
    if not st.button(MOVE):
        return
    if unit_key is None or coupler_id is None or not why:
        st.error("Choose the coupler that the photo shows, and write why.")
        return
    event = refile(ws, actor, story.photo.id, unit_key, why, coupler_id=coupler_id)
    st.session_state["moved"] = f"Moved. {event.reason}"
    st.session_state["moves"] += 1
    st.session_state.pop("desk", None)  # it may hold this photo as one of the unit before
    st.rerun()
