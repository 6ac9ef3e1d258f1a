"""Teaching: which photos to review next, what the limits still lack, and the training itself."""

from __future__ import annotations

import streamlit as st

from data_tools.access import Actor
from data_tools.jobs import RETRAIN, start_retrain
from data_tools.limit_needs import learnable, limit_needs
from data_tools.next_photos import next_photos
from data_tools.queueing import items_of
from data_tools.records import PhotoRecord
from data_tools.workspace import Workspace
from review_app import resources
from review_app.review_desk import Desk
from review_app.widgets.job_panel import job_panel
from review_app.widgets.text import clock, md, plain
from review_app.wording import sentence

_NEXT = 20
_SHOWN = 6
_THUMBNAIL_PX = 150


def teach(ws: Workspace, actor: Actor) -> None:
    """Draw what to review next, the training, and the limits."""
    st.subheader("Train on what was confirmed", anchor=False)
    st.write(
        "A new version learns from the decisions of your technicians. It goes live only if, on couplers that "
        "it has never seen, it misses no more damage, calls no more of it clear, and leaves little more of "
        "what is intact to people; otherwise it is held, with the reason."
    )
    _confirmed(ws, actor)
    job_panel(
        ws,
        actor,
        RETRAIN,
        "Train now",
        start_retrain,
        icon=":material/model_training:",
        stop_help="Stops at the next step; the live version stays. Train again and it goes on from there.",
    )
    _review_next(ws, actor)
    _limits(ws, actor)


def _review_next(ws: Workspace, actor: Actor) -> None:
    st.subheader("Photos to review next", anchor=False)
    photos = next_photos(ws, actor, _NEXT)
    if not photos:
        st.info("Nothing undecided is left to learn from.", icon=":material/done_all:")
        return
    st.write(
        f"The {len(photos)} undecided photos that the model would learn most from: those in which it "
        "suspects most damage over all places, every coupler once before any twice. What could hurt first "
        "comes first on the Review screen; this is another order."
    )
    with st.container(horizontal=True):
        for photo in photos[:_SHOWN]:
            with st.container(width=_THUMBNAIL_PX):
                _thumbnail(ws, actor, photo)
    if st.button("Review these now", icon=":material/fact_check:"):
        items = items_of(ws, actor, [photo.id for photo in photos])
        st.session_state["desk"] = (None, Desk(items=items, waiting=len(items), chosen=True))
        st.session_state["every_site"] = ""  # they are of all sites; another choice would clear the desk
        st.switch_page(resources.screen("review"))


def _thumbnail(ws: Workspace, actor: Actor, photo: PhotoRecord) -> None:
    name = f"{photo.unit_key} {photo.position}"
    st.image(resources.face_or_photo(ws, actor, photo, resources.SMALL), alt=plain(name), width="stretch")
    seen = clock(photo.seen_at or photo.received_at, ws.settings.timezone)
    st.caption(f"{md(name)}, {md(photo.site_key)}, {seen}")


def _limits(ws: Workspace, actor: Actor) -> None:
    st.subheader("Limits set on your own photos", anchor=False)
    st.write(
        "Below its limit a damage is called clear. The limits follow your own confirmed photos once enough "
        "couplers that no version has learnt from show that damage: one in five is held out for ever, and "
        "counts once, however many photos there are of it."
    )
    for need in limit_needs(ws, actor):
        st.progress(min(1.0, need.have / need.needed), text=sentence(need.words))


def _confirmed(ws: Workspace, actor: Actor) -> None:
    counts = learnable(ws, actor)
    least = ws.settings.min_confirmed_photos
    words = (
        f"Confirmed so far: {counts.learnt} photos to learn from ({least} needed), {counts.held_out} held out"
    )
    why = "open questions, cannot tell, moved, no face found"
    left_out = f", {counts.left_out} left out ({why})" if counts.left_out else ""
    st.write(f"{words}{left_out}.")
