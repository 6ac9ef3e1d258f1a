"""Review: one photo at a time, one key when the model is right, two when it is not."""

from __future__ import annotations

import streamlit as st

from data_tools.access import Actor, Permission
from data_tools.queueing import queue_length, queue_mark, queue_news
from data_tools.records import DecisionRecord, QueueItem, Site, TrueFinding
from data_tools.review import last_good_photo, queue
from data_tools.standing import fold
from data_tools.workspace import Workspace
from model.families import family
from model.vocabulary import Outcome
from review_app import access, resources
from review_app.errands.review_keys import Keys, comment_on, last_saved, tell
from review_app.review_desk import Desk, family_key
from review_app.standing import decision_words, effective, findings_of, findings_words, judgement_words
from review_app.stories import moment_of
from review_app.widgets.face_drawing import face_image
from review_app.widgets.guard import told_plainly
from review_app.widgets.marks import face_box, marks_of
from review_app.widgets.photo_view import photo_view
from review_app.widgets.pickers import pick_site, site_called, unit_title
from review_app.widgets.text import clock, md, plain
from review_app.wording import REASON_WORDS, sentence

_BATCH = 50
_OTHERS = ":material/group:"
_NAMES_NONE = "names no damage. Look closely"
"""Said of unsure verdicts and of clear ones alike: nobody may tell which are mixed in to measure misses."""


def show() -> None:
    """Draw the page."""
    ws, actor = resources.workspace(), access.here()
    if not actor.may(Permission.DECIDE):
        st.error("Only technicians and leads decide on photos.")
        return
    with st.container(horizontal=True, vertical_alignment="center", key="review_head"):
        st.title("Review", anchor=False, width="content")
        with st.container(width=260):
            site = pick_site(ws, actor, every=True, label_visibility="collapsed")
        first_look = st.toggle(
            "I look first, then see what the model found",
            value=ws.settings.evidence_first_look,
            key="first_look",
            persist_state="session",
        )
    desk = _desk(ws, actor, site, first_look)
    _card(ws, actor, desk)


def _desk(ws: Workspace, actor: Actor, site: Site | None, first_look: bool) -> Desk:
    """Return this tab's desk, filled again when it is empty or the site changed; the store is asked anew
    whenever the page is opened."""
    key = site.key if site else None
    held: tuple[str | None, Desk] | None = st.session_state.get("desk")
    desk = held[1] if held and held[0] == key else Desk()
    desk.up_to_date = False
    if not desk.items:
        _fill(ws, actor, desk, key)
    desk.first_look = first_look
    st.session_state["desk"] = (key, desk)
    return desk


def _fill(ws: Workspace, actor: Actor, desk: Desk, site_key: str | None) -> None:
    mark = queue_mark(ws, actor)
    items = queue(ws, actor, site_key, limit=_BATCH)
    desk.fill(items, queue_length(ws, actor, site_key), mark)


@st.fragment
def _card(ws: Workspace, actor: Actor, desk: Desk) -> None:
    with told_plainly():
        _draw_card(ws, actor, desk)


def _draw_card(ws: Workspace, actor: Actor, desk: Desk) -> None:
    _catch_up(ws, actor, desk)
    for words, icon in st.session_state.pop("said", []):
        st.toast(words, icon=icon)
    item = desk.current
    if item is None:
        _nothing_left(ws, actor, desk)
        last_saved(ws, actor, desk)
        return
    desk.begin()
    photo, beside, keys = st.columns([15, 5, 9], gap="medium")
    # The keys come first: once the photo is painted, its keys must be there to be pressed.
    with keys:
        _model_says(actor, desk, item)
        Keys(ws, actor, desk, item.photo.id).draw()
        last_saved(ws, actor, desk)
    with photo:
        _photo(ws, actor, desk, item)
    with beside, st.container(key="beside"):
        _beside(ws, actor, desk, item)


def _catch_up(ws: Workspace, actor: Actor, desk: Desk) -> None:
    """Before a photo is shown: whether it still waits for this person, and whether something comes first."""
    current = desk.current
    if current is None or desk.up_to_date:
        return
    held = {item.photo.id: item.priority for item in desk.items}
    site_key = st.session_state["desk"][0]
    news = queue_news(ws, actor, held, desk.mark, above=desk.least_urgent, site_key=site_key)
    news = desk.of_concern(news)
    keep = desk.touched or bool(comment_on(current.photo.id))
    gone = desk.catch_up(news, keep=keep)
    if len(gone) > 1:
        ruled = all(fold(news.gone[item.photo.id]).decision for item in gone)
        why = ": they were ruled on meanwhile" if ruled else ""
        tell(f"{len(gone)} photos wait for you no longer{why}.", _OTHERS)
    elif gone:
        tell(_gone_words(actor, gone[0], news.gone[gone[0].photo.id]), _OTHERS)
    if keep and not desk.put_back and current.photo.id in news.gone:
        words = _gone_words(actor, current, news.gone[current.photo.id])
        tell(f"{words} What you entered is still here.", _OTHERS)


def _gone_words(actor: Actor, item: QueueItem, decisions: tuple[DecisionRecord, ...]) -> str:
    ruling = fold(decisions).decision
    unit = md(item.unit.key)
    if ruling is None:
        return f"The photo of {unit} waits here no longer."
    who = "You have" if ruling.decided_by == actor.name else f"{md(ruling.decided_by)} has"
    return f"{who} ruled on the photo of {unit} meanwhile."


def _nothing_left(ws: Workspace, actor: Actor, desk: Desk) -> None:
    _fill(ws, actor, desk, st.session_state["desk"][0])
    if desk.items:
        st.rerun(scope="fragment")
    st.success("Nothing is waiting for you here.", icon=":material/done_all:")
    if st.button("Look again"):
        st.rerun(scope="fragment")


def _photo(ws: Workspace, actor: Actor, desk: Desk, item: QueueItem) -> None:
    photo = item.photo
    site = site_called(photo.site_key)
    when = clock(moment_of(photo), site.timezone)
    st.markdown(f"**{md(unit_title(item.unit))}** · {md(site.name)} · {when} · {desk.waiting} waiting")
    marks = marks_of(item.verdict.judgement) if desk.evidence_visible else []
    ahead = resources.picture(ws, desk.ahead.photo, resources.LARGE) if desk.ahead else None
    coloured = _where_it_looked(ws, actor, desk, item)
    photo_view(
        coloured or resources.picture(ws, photo, resources.LARGE),
        photo_id=f"{photo.id} looked" if coloured else str(photo.id),
        alt=f"Photo of the coupler of unit {plain(item.unit.key)}, {when}",
        size=(photo.width, photo.height),
        marks=marks,
        focus=face_box(item.verdict.judgement),
        ahead=ahead,
    )


def _where_it_looked(ws: Workspace, actor: Actor, desk: Desk, item: QueueItem) -> bytes | None:
    """Return the photo coloured where the model found what it names, where that was asked for."""
    if not (desk.looked and desk.evidence_visible):
        return None
    coloured = resources.evidence(ws, actor, item.photo.id, item.verdict.id)
    if coloured is None:
        st.caption("Only the live version can show where it looked; this verdict is of an earlier one.")
    return coloured


def _model_says(actor: Actor, desk: Desk, item: QueueItem) -> None:
    if item.second_opinion:
        st.info("A colleague asked for a second opinion on this photo.", icon=":material/group:")
    if item.conflict:
        settles = " Your word settles it." if fold(item.decisions).settled_by(actor.name) else ""
        st.info(f"Two people decided differently on this photo.{settles}", icon=":material/group:")
    if not desk.evidence_visible:
        st.markdown("Look at the photo and say what you see, or show what the model found.")
        return
    judgement = item.verdict.judgement
    words = judgement_words(judgement) if judgement.findings else _NAMES_NONE
    if judgement.outcome is Outcome.CANNOT_JUDGE:
        words = judgement_words(judgement) + (
            f" ({REASON_WORDS[judgement.reason]})" if judgement.reason else ""
        )
    st.markdown(f"Model: **{md(sentence(words))}**")
    others = effective(item.decisions)
    if others:
        st.caption("Said so far: " + "; ".join(f"{md(d.decided_by)} {decision_words(d)}" for d in others))
    if desk.asked_twice is not None:
        st.warning(
            f"You said: **{findings_words(desk.asked_twice)}**. The model found, or you "
            "listed, damage that this leaves out. "
            "Say the same again to keep it.",
            icon=":material/warning:",
        )


def _beside(ws: Workspace, actor: Actor, desk: Desk, item: QueueItem) -> None:
    """Draw the face with its numbers, and the last good photo of the same coupler."""
    marked: tuple[TrueFinding, ...] = desk.listed
    if not marked and desk.evidence_visible:
        marked = findings_of(item.verdict.judgement)
    row = family(family_key(item))
    st.html(face_image(row, marked))
    st.caption(
        f"Drawn with the {'latch' if row.has_latch else 'two small contacts'} up; the photo may be turned."
    )
    before = last_good_photo(ws, actor, item.photo.coupler_id, moment_of(item.photo))
    if before is None:
        st.caption("No earlier photo of this coupler without damage.")
        return
    when = clock(moment_of(before), site_called(before.site_key).timezone)
    st.image(
        resources.face_or_photo(ws, actor, before, resources.CARD),
        caption=f"Same coupler, last good photo, {when}",
        alt=f"The same coupler without damage, {when}",
        width="stretch",
    )
