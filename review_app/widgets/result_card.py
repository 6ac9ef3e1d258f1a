"""The card of one uploaded file: what was seen, and what to do now."""

from __future__ import annotations

from data_tools.desk import STANDS, verdict_words
from data_tools.records import IngestedFile, IngestStatus
from data_tools.standing import GOOD, SAID, Stand
from data_tools.workspace import Workspace
from model.vocabulary import ADVICE
from review_app import resources
from review_app.site_board import damage_words
from review_app.standing import findings_words, standing_of_file, state_of_file
from review_app.widgets.photo_view import as_url
from review_app.widgets.verdict_card import card
from review_app.wording import DO_NOW, LOOK_NOW, NO_DAMAGE_NOTE, NOT_RECEIVED_NOTE, Standing


def result_card(ws: Workspace, file: IngestedFile, *, same_steps: bool = False) -> str:
    """Return the result of one uploaded file as HTML; ``same_steps`` when a card above lists the steps."""
    standing = standing_of_file(file)
    steps = {Standing.DO_NOT_USE: DO_NOW, Standing.LOOK: LOOK_NOW}.get(standing, ())
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
    known = _note(file)
    if standing is Standing.NOT_RECEIVED:
        return f"{NOT_RECEIVED_NOTE} {file.message}"
    if standing is Standing.SET_ASIDE:
        return file.message
    if standing is Standing.RETAKE:
        state = state_of_file(file)
        reason = state.reason if state else file.reason
        return ADVICE[reason] + known if reason else file.message
    if standing is Standing.NO_DAMAGE:
        return NO_DAMAGE_NOTE + known
    state = state_of_file(file)
    if state is not None and state.stand in GOOD and file.on_coupler is not None:
        others = f"an earlier or other one of this coupler shows {damage_words(file.on_coupler)}."
        return f"No damage seen in this photo, but {others}{known}"
    findings = state.findings if state else ()
    doubted = state is not None and state.stand is Stand.DOUBTED
    seen = "Perhaps" if doubted else "Seen:"
    return (f"{seen} {findings_words(findings)}." if findings else "Something may be wrong here.") + known


def _note(file: IngestedFile) -> str:
    """Return what was said beside the verdict: known already, a clock far off, what a technician saw."""
    if file.verdict is None or file.status not in (IngestStatus.STORED, IngestStatus.KNOWN):
        return ""
    note = file.message.removeprefix(verdict_words(file.verdict.judgement)).strip()
    if file.status is IngestStatus.STORED and file.state is not None and file.state.stand in SAID:
        note = f"{STANDS[file.state.stand]} {note}".strip()
    return f" {note}" if note else ""
