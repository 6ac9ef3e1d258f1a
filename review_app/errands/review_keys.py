"""The keys of the review: one button for each, and what a press does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import streamlit as st

from data_tools.access import Actor
from data_tools.records import DecisionKind, DecisionRecord, QueueItem
from data_tools.review import decide, decisions_of, withdraw
from data_tools.workspace import Workspace
from model.errors import RoundsError
from model.families import Family, family
from model.vocabulary import FindingKind, Place
from review_app import resources
from review_app.review_desk import Desk, Statement, adds_nothing, family_key
from review_app.standing import decision_words, effective, findings_words, judgement_words, said_words
from review_app.widgets.face_drawing import place_numbers
from review_app.widgets.text import md
from review_app.wording import KIND_LETTER, KIND_WORDS, PLACE_WORDS, SHORTCUTS, sentence


@dataclass(frozen=True)
class Keys:
    """The buttons of one photo. A press carries the photo's id: a late one never lands on the next photo."""

    ws: Workspace
    actor: Actor
    desk: Desk
    photo_id: int

    def button(
        self,
        words: str,
        verb: str,
        word: FindingKind | Place | None = None,
        *,
        shortcut: str,
        chosen: bool = False,
        wide: bool = False,
        disabled: bool = False,
    ) -> None:
        """Draw one button with its key."""
        kind: Literal["primary", "secondary"] = "primary" if chosen else "secondary"
        st.button(
            words,
            # With the photo in the key, a press that comes late has no button any more to count for.
            key=f"key_{verb}{f'_{word}' if word else ''}_{self.photo_id}",
            on_click=press,
            args=(self, verb, word),
            shortcut=shortcut,
            type=kind,
            width="stretch" if wide else "content",
            wrap=True,
            disabled=disabled,
        )

    def draw(self) -> None:
        """Draw all buttons of the current photo."""
        item = self.desk.current
        if item is None:
            return
        row = family(family_key(item))
        if self.desk.evidence_visible:
            words = f"Agree: {judgement_words(item.verdict.judgement)}"
            self.button(words, "agree", shortcut=SHORTCUTS["agree"], chosen=True, wide=True)
            if item.verdict.judgement.face is not None:
                words = "Hide where the model looked" if self.desk.looked else "Where the model looked"
                self.button(words, "looked", shortcut=SHORTCUTS["looked"], wide=True)
        else:
            self.button("Show what the model found", "show", shortcut=SHORTCUTS["show"], wide=True)
        self._kinds(row)
        self._places(row)
        self._several()
        st.text_input("Comment (kept with your decision)", key=f"comment_{self.photo_id}", max_chars=500)
        with st.container(horizontal=True, gap="xsmall"):
            self.button("Cannot tell", "cannot_tell", shortcut=SHORTCUTS["cannot_tell"])
            self.button("Ask a second opinion", "second", shortcut=SHORTCUTS["second"])
            self.button("Later", "skip", shortcut=SHORTCUTS["skip"])

    def _kinds(self, row: Family) -> None:
        with st.container(horizontal=True, gap="xsmall"):
            self.button("No damage seen", "none", shortcut=SHORTCUTS["none"], wide=True)
            for kind, letter in KIND_LETTER.items():
                if kind is FindingKind.MISSING_LATCH and not row.has_latch:
                    continue
                words, chosen = sentence(KIND_WORDS[kind]), self.desk.kind is kind
                self.button(words, "kind", kind, shortcut=letter, chosen=chosen, wide=True)

    def _places(self, row: Family) -> None:
        with st.container(horizontal=True, gap="xsmall"):
            for place, number in place_numbers(row).items():
                words, chosen = sentence(PLACE_WORDS[place]), self.desk.place is place
                self.button(words, "place", place, shortcut=str(number), chosen=chosen)

    def _several(self) -> None:
        desk = self.desk
        with st.container(horizontal=True, gap="xsmall"):
            words = "Only one damage" if desk.several else "More than one damage"
            self.button(words, "several", shortcut=SHORTCUTS["several"])
            if desk.several:
                words = f"Save: {findings_words(desk.listed)}" if desk.listed else "Name each kind and place"
                done = SHORTCUTS["done"]
                self.button(words, "done", shortcut=done, chosen=True, disabled=not desk.listed)


def last_saved(ws: Workspace, actor: Actor, desk: Desk) -> None:
    """Draw what was saved last, with undo and, for damage, the way to act on it."""
    # The place is there before anything was saved, so that nothing moves under the hand when it fills.
    place = st.container(horizontal=True, vertical_alignment="center", key="last_saved")
    if desk.last is None:
        return
    item, decision = desk.last
    with place:
        st.markdown(f"Saved: **{md(item.unit.key)}** · {said_words(decision)}")
        st.button(
            "Undo", key="undo", on_click=undo, args=(ws, actor, desk, decision.id), shortcut=SHORTCUTS["undo"]
        )
        if decision.findings:
            st.page_link(
                resources.screen("act"),
                label=f"Act on {md(item.unit.key)}",
                icon=":material/build:",
                query_params={"site": item.photo.site_key, "unit": item.unit.key},
            )


def press(keys: Keys, verb: str, word: FindingKind | Place | None = None) -> None:
    """Do what the key says, for the photo it was drawn for."""
    desk = keys.desk
    item = desk.current
    if item is None or item.photo.id != keys.photo_id:
        return
    if verb == "show":
        desk.shown = True
    elif verb == "looked":
        desk.looked = not desk.looked
    elif verb == "skip":
        desk.skip()
    elif verb == "several":
        desk.forget_statement()
        desk.several = not desk.several
    else:
        statement = _said(desk, verb, word)
        if statement is not None:
            _save(keys, statement)


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


def _save(keys: Keys, statement: Statement) -> None:
    item, desk = statement.item, keys.desk
    comment = comment_on(item.photo.id)
    try:
        if _said_by_another(keys, statement, comment):
            desk.next()
            return
        decision = decide(
            keys.ws,
            keys.actor,
            item.photo.id,
            item.verdict.id,
            statement.kind,
            statement.findings,
            comment=comment,
            seconds=statement.seconds,
            evidence_shown=statement.evidence_shown,
        )
        for other in _others_since(keys, item, decisions_of(keys.ws, keys.actor, item.photo.id)):
            words = f"decided on the same photo: {decision_words(other)}. Both are kept."
            tell(f"{md(other.decided_by)} {words}", ":material/group:")
    except RoundsError as error:
        tell(md(str(error), 600), ":material/error:")
        return
    desk.next()
    desk.last = (item, decision)


def _others_since(keys: Keys, item: QueueItem, said: Sequence[DecisionRecord]) -> list[DecisionRecord]:
    """Return what others decided on the photo since it was shown, of all that was ``said`` of it."""
    known = {earlier.id for earlier in item.decisions}
    return [one for one in effective(said) if one.decided_by != keys.actor.name and one.id not in known]


def _said_by_another(keys: Keys, statement: Statement, comment: str) -> bool:
    """Whether somebody has ruled on the photo since it was shown and nothing is left to add; says so."""
    item, said = statement.item, decisions_of(keys.ws, keys.actor, statement.item.photo.id)
    others = _others_since(keys, item, said)
    if not others or not adds_nothing(statement, said, comment):
        return False
    words = f"has ruled on the photo of {md(item.unit.key)} meanwhile; nothing was added."
    tell(f"{md(others[-1].decided_by)} {words}", ":material/group:")
    return True


def comment_on(photo_id: int) -> str:
    """Return what is typed into the comment of a photo."""
    return str(st.session_state.get(f"comment_{photo_id}", ""))


def undo(ws: Workspace, actor: Actor, desk: Desk, decision_id: int) -> None:
    """Take the last decision back and put its photo on top again."""
    if desk.last is None or desk.last[1].id != decision_id:
        return
    item = desk.last[0]
    try:
        withdraw(ws, actor, decision_id)
    except RoundsError as error:
        tell(md(str(error), 600), ":material/error:")
        return
    desk.back(item)


def tell(words: str, icon: str) -> None:
    """Say something with the next photo."""
    st.session_state.setdefault("said", []).append((words, icon))
