"""Review: one photo at a time, one key when the model is right, two when it is not."""

from __future__ import annotations

import streamlit as st

from data_tools.access import Actor, Permission
from data_tools.records import DecisionKind, QueueItem, Site, TrueFinding
from data_tools.review import decide, decisions_of, last_good_photo, queue, withdraw
from data_tools.workspace import Workspace
from model.errors import RoundsError
from model.families import family
from model.vocabulary import FindingKind, Outcome, Place
from review_app import access, resources
from review_app.review_desk import Desk, Statement, family_key
from review_app.standing import effective, findings_of, findings_words, judgement_words
from review_app.stories import moment_of
from review_app.widgets.face_drawing import face_image, place_numbers
from review_app.widgets.guard import told_plainly
from review_app.widgets.marks import marks_of
from review_app.widgets.photo_view import photo_view
from review_app.widgets.pickers import pick_site, unit_title
from review_app.widgets.text import clock, md, plain
from review_app.wording import (
    DECISION_WORDS,
    KIND_LETTER,
    KIND_WORDS,
    PLACE_WORDS,
    REASON_WORDS,
    SHORTCUTS,
    sentence,
)

_BATCH = 50
_NAMES_NONE = "names no damage. Look closely"
"""Said of unsure verdicts and of clear ones alike: what is mixed in to measure misses must not be told apart."""


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
    """Return this tab's desk, filled again when it is empty or the site changed."""
    key = site.key if site else None
    held: tuple[str | None, Desk] | None = st.session_state.get("desk")
    desk = held[1] if held and held[0] == key else Desk(items=queue(ws, actor, key, limit=_BATCH))
    desk.first_look = first_look
    st.session_state["desk"] = (key, desk)
    return desk


@st.fragment
def _card(ws: Workspace, actor: Actor, desk: Desk) -> None:
    with told_plainly():
        _draw_card(ws, actor, desk)


def _draw_card(ws: Workspace, actor: Actor, desk: Desk) -> None:
    for words, icon in st.session_state.pop("said", []):
        st.toast(words, icon=icon)
    item = desk.current
    if item is None:
        _nothing_left(ws, actor, desk)
        _last_saved(ws, actor, desk)
        return
    desk.begin()
    photo, beside, keys = st.columns([13, 5, 9], gap="medium")
    with photo:
        _photo(ws, desk, item)
    with beside, st.container(key="beside"):
        _beside(ws, actor, desk, item)
    with keys:
        _model_says(desk, item)
        _keys(ws, actor, desk, item)
        _last_saved(ws, actor, desk)


def _nothing_left(ws: Workspace, actor: Actor, desk: Desk) -> None:
    key = st.session_state["desk"][0]
    desk.items = queue(ws, actor, key, limit=_BATCH)
    if desk.items:
        st.rerun(scope="fragment")
    st.success("Nothing is waiting. Every flagged photo has been looked at.", icon=":material/done_all:")
    if st.button("Look again"):
        st.rerun(scope="fragment")


def _photo(ws: Workspace, desk: Desk, item: QueueItem) -> None:
    photo = item.photo
    when = clock(moment_of(photo), st.session_state["zones"].get(photo.site_key, "UTC"))
    st.markdown(
        f"**{md(unit_title(item.unit))}** · {md(photo.site_key)} · {when} · {len(desk.items)} waiting"
    )
    marks = marks_of(item.verdict.judgement) if desk.evidence_visible else []
    ahead = resources.picture(ws, desk.ahead.photo, resources.LARGE) if desk.ahead else None
    photo_view(
        resources.picture(ws, photo, resources.LARGE),
        photo_id=str(photo.id),
        alt=f"Photo of the coupler of unit {plain(item.unit.key)}, {when}",
        size=(photo.width, photo.height),
        marks=marks,
        ahead=ahead,
    )


def _model_says(desk: Desk, item: QueueItem) -> None:
    if item.second_opinion:
        st.info("A colleague asked for a second opinion on this photo.", icon=":material/group:")
    if not desk.evidence_visible:
        st.markdown("Look at the photo and say what you see, or show what the model found.")
        return
    judgement = item.verdict.judgement
    words = judgement_words(judgement) if judgement.findings else _NAMES_NONE
    if judgement.outcome is Outcome.CANNOT_JUDGE:
        words = judgement_words(judgement) + (f" ({REASON_WORDS[judgement.reason]})" if judgement.reason else "")
    st.markdown(f"Model: **{md(sentence(words))}**")
    others = effective(item.decisions)
    if others:
        st.caption(
            "Said so far: " + "; ".join(f"{md(d.decided_by)} {DECISION_WORDS[d.kind]}" for d in others)
        )
    if desk.asked_twice is not None:
        st.warning(
            f"The model found damage that **{findings_words(desk.asked_twice)}** leaves out. "
            "Say the same again to keep it.",
            icon=":material/warning:",
        )


def _keys(ws: Workspace, actor: Actor, desk: Desk, item: QueueItem) -> None:
    """Draw the buttons; each carries the photo's id, so that a late press never lands on the next photo."""
    row = family(family_key(item))
    press = {"on_click": _press, "width": "stretch"}
    arguments = (ws, actor, desk, item.photo.id)
    if desk.evidence_visible:
        agree = f"Agree: {judgement_words(item.verdict.judgement)}"
        st.button(
            agree,
            key="agree",
            args=(*arguments, "agree"),
            shortcut=SHORTCUTS["agree"],
            type="primary",
            **press,
        )
    else:
        show = "Show what the model found"
        st.button(show, key="show", args=(*arguments, "show"), shortcut=SHORTCUTS["show"], **press)
    with st.container(horizontal=True, gap="xsmall"):
        st.button(
            "No damage seen", key="none", args=(*arguments, "none"), shortcut=SHORTCUTS["none"], **press
        )
        for kind in KIND_LETTER:
            if kind is FindingKind.MISSING_LATCH and not row.has_latch:
                continue
            st.button(
                sentence(KIND_WORDS[kind]),
                key=f"kind_{kind}",
                args=(*arguments, "kind", kind),
                shortcut=KIND_LETTER[kind],
                type="primary" if desk.kind is kind else "secondary",
                **press,
            )
    with st.container(horizontal=True, gap="xsmall", key="places"):
        for place, number in place_numbers(row).items():
            st.button(
                sentence(PLACE_WORDS[place]),
                key=f"place_{place}",
                args=(*arguments, "place", place),
                shortcut=str(number),
                type="primary" if desk.place is place else "secondary",
                on_click=_press,
            )
    _several(desk, arguments)
    st.text_input("Comment (kept with your decision)", key=f"comment_{item.photo.id}", max_chars=500)
    with st.container(horizontal=True, gap="xsmall"):
        for name, words in (
            ("cannot_tell", "Cannot tell"),
            ("second", "Ask a second opinion"),
            ("skip", "Later"),
        ):
            st.button(words, key=name, args=(*arguments, name), shortcut=SHORTCUTS[name], on_click=_press)


def _several(desk: Desk, arguments: tuple[Workspace, Actor, Desk, int]) -> None:
    with st.container(horizontal=True, gap="xsmall", vertical_alignment="center"):
        words = "Only one damage" if desk.several else "More than one damage"
        st.button(
            words, key="several", args=(*arguments, "several"), shortcut=SHORTCUTS["several"], on_click=_press
        )
        if desk.several:
            st.button(
                f"Save: {findings_words(desk.listed)}"
                if desk.listed
                else "Name each kind and place, then save",
                key="done",
                args=(*arguments, "done"),
                shortcut=SHORTCUTS["done"],
                on_click=_press,
                disabled=not desk.listed,
                type="primary",
            )


def _beside(ws: Workspace, actor: Actor, desk: Desk, item: QueueItem) -> None:
    """Draw the face with its numbers, and the last good photo of the same coupler."""
    marked: tuple[TrueFinding, ...] = desk.listed
    if not marked and desk.evidence_visible:
        marked = findings_of(item.verdict.judgement)
    st.html(face_image(family(family_key(item)), marked))
    before = last_good_photo(ws, actor, item.photo.coupler_id, moment_of(item.photo))
    if before is None:
        st.caption("No earlier photo of this coupler without damage.")
        return
    when = clock(moment_of(before), st.session_state["zones"].get(before.site_key, "UTC"))
    st.image(
        resources.picture(ws, before, resources.MEDIUM),
        caption=f"Same coupler, last good photo, {when}",
        alt=f"The same coupler without damage, {when}",
        width="stretch",
    )


def _last_saved(ws: Workspace, actor: Actor, desk: Desk) -> None:
    if desk.last is None:
        return
    item, decision = desk.last
    with st.container(horizontal=True, vertical_alignment="center", key="last_saved"):
        what = DECISION_WORDS[decision.kind]
        if decision.kind in (DecisionKind.CONFIRMED, DecisionKind.CORRECTED):
            what = findings_words(decision.findings)
        st.markdown(f"Saved: **{md(item.unit.key)}** · {what}")
        st.button(
            "Undo",
            key="undo",
            on_click=_undo,
            args=(ws, actor, desk, decision.id),
            shortcut=SHORTCUTS["undo"],
        )
        if decision.findings:
            st.page_link(
                resources.screen("act"),
                label=f"Act on {md(item.unit.key)}",
                icon=":material/build:",
                query_params={"site": item.photo.site_key, "unit": item.unit.key},
            )


def _press(
    ws: Workspace, actor: Actor, desk: Desk, photo_id: int, verb: str, word: FindingKind | Place | None = None
) -> None:
    item = desk.current
    if item is None or item.photo.id != photo_id:
        return
    if verb == "show":
        desk.shown = True
        return
    if verb == "skip":
        desk.skip()
        return
    if verb == "several":
        desk.forget_statement()
        desk.several = not desk.several
        return
    statement = _said(desk, verb, word)
    if statement is not None:
        _save(ws, actor, desk, statement)


def _said(desk: Desk, verb: str, word: FindingKind | Place | None) -> Statement | None:
    if isinstance(word, FindingKind):
        return desk.say_kind(word)
    if isinstance(word, Place):
        return desk.say_place(word)
    if verb == "cannot_tell":
        return desk.other(DecisionKind.CANNOT_TELL)
    if verb == "second":
        return desk.other(DecisionKind.SECOND_OPINION)
    return {"agree": desk.agree, "none": desk.say_none, "done": desk.say_listed}[verb]()


def _save(ws: Workspace, actor: Actor, desk: Desk, statement: Statement) -> None:
    item = statement.item
    said = st.session_state.setdefault("said", [])
    try:
        decision = decide(
            ws,
            actor,
            item.photo.id,
            item.verdict.id,
            statement.kind,
            statement.findings,
            comment=str(st.session_state.get(f"comment_{item.photo.id}", "")),
            seconds=statement.seconds,
            evidence_shown=statement.evidence_shown,
        )
        others = [d for d in effective(decisions_of(ws, actor, item.photo.id)) if d.decided_by != actor.name]
    except RoundsError as error:
        said.append((md(str(error), 600), ":material/error:"))
        return
    known = {d.id for d in item.decisions}
    for other in others:
        if other.id not in known:
            words = f"{md(other.decided_by)} decided on the same photo: {DECISION_WORDS[other.kind]}. Both are kept."
            said.append((words, ":material/group:"))
    desk.next()
    desk.last = (item, decision)


def _undo(ws: Workspace, actor: Actor, desk: Desk, decision_id: int) -> None:
    if desk.last is None or desk.last[1].id != decision_id:
        return
    item = desk.last[0]
    try:
        withdraw(ws, actor, decision_id)
    except RoundsError as error:
        st.session_state.setdefault("said", []).append((md(str(error), 600), ":material/error:"))
        return
    desk.back(item)
