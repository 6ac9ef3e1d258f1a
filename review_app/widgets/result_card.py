"""The card of one uploaded file: what was seen, and what to do now."""

from __future__ import annotations

from data_tools.answers import not_in_view, other_damage, stand_words, state_of_file
from data_tools.records import IngestedFile
from data_tools.standing import GOOD, SAID, Stand, State
from data_tools.workspace import Workspace
from model.vocabulary import ADVICE
from review_app import resources
from review_app.site_board import damage_words
from review_app.standing import findings_words, standing_of_file
from review_app.widgets.photo_view import as_url
from review_app.widgets.verdict_card import card
from review_app.wording import BEFORE_NOW, DO_NOW, LOOK_NOW, NO_DAMAGE_NOTE, NOT_RECEIVED_NOTE, Standing

_STEPS = {Standing.DO_NOT_USE: DO_NOW, Standing.LOOK: LOOK_NOW, Standing.AS_BEFORE: BEFORE_NOW}


def result_card(ws: Workspace, file: IngestedFile, *, same_steps: bool = False) -> str:
    """Return the result of one uploaded file as HTML; ``same_steps`` when a card above lists the steps."""
    standing = standing_of_file(file)
    steps = _STEPS.get(standing, ())
    if same_steps and steps:
        steps = ("Do the same here.",)
    return card(
        standing,
        unit=f"Unit {file.photo.unit_key}" if file.photo else "",
        body=_body(file, standing),
        steps=steps,
        file_name=file.file_name,
        picture=as_url(resources.picture(ws, file.photo, resources.SMALL)) if file.photo else "",
    )


def _body(file: IngestedFile, standing: Standing) -> str:
    if standing is Standing.NOT_RECEIVED:
        return f"{NOT_RECEIVED_NOTE} {file.message}"
    state = state_of_file(file)
    if state is None:
        return ADVICE[file.reason] if standing is Standing.RETAKE and file.reason else file.message
    note = " ".join(part for part in (file.already, file.note) if part)
    other = other_damage(file, damage_words)
    if other and state.stand in GOOD:
        return f"{other} {note}"
    said = stand_words(state) if state.stand in (*SAID, Stand.AS_BEFORE) else ""
    return " ".join(part for part in (other, _own_words(state), said, note) if part)


def _own_words(state: State) -> str:
    """Return what the photo itself shows."""
    if state.stand in GOOD and state.stand is not Stand.AS_BEFORE:
        return NO_DAMAGE_NOTE
    if state.stand is Stand.IN_PART:
        return stand_words(state)
    if state.stand is Stand.NOT_TOLD:
        return f"Take it again. {ADVICE[state.reason]}" if state.reason else stand_words(state)
    doubted = state.stand in (Stand.DOUBTED, Stand.AS_BEFORE)
    seen = "Perhaps" if doubted else "Seen:"
    found = findings_words(state.findings) if state.findings else ""
    if state.stand is Stand.AS_BEFORE and not found:
        return ""
    unseen = not_in_view(state.unseen)
    if not found:
        return f"Something may be wrong here: {unseen}." if unseen else "Something may be wrong here."
    return f"{seen} {found}." + (f" Also, {unseen}." if unseen else "")
