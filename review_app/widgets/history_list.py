"""A unit's timeline as a list: photos with verdict and decisions, and the events between them."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from data_tools.answers import stand_words
from data_tools.records import DecisionRecord, EventRecord, PhotoRecord
from data_tools.waiting import WaitingEvent
from model.vocabulary import Outcome
from review_app.standing import decision_words, judgement_words
from review_app.stories import PhotoStory
from review_app.widgets.signs import badge
from review_app.widgets.text import clock, esc
from review_app.wording import EVENT_WORDS, OBSERVATION_WORDS, REASON_WORDS, WAITED_WORDS


def history_html(
    stories: Sequence[PhotoStory],
    events: Sequence[EventRecord],
    timezone: str,
    picture_url: Callable[[PhotoRecord], str],
) -> str:
    """Return stories and events as an HTML list, newest first; ``picture_url`` gives a data URL."""
    dated = [(story.at, _story(story, timezone, picture_url)) for story in stories]
    dated += [(event.done_at, _event(event, timezone)) for event in events]
    rows = [row for _, row in sorted(dated, key=lambda pair: pair[0], reverse=True)]
    return f'<ul class="cr-line">{"".join(rows)}</ul>'


def event_words(event: EventRecord) -> str:
    """Return one event in plain words, reason included; not yet harmless for HTML."""
    parts = [EVENT_WORDS[event.kind]]
    if event.what:
        parts.append(OBSERVATION_WORDS[event.what])
    if event.blinks:
        parts.append(f"{event.blinks} blinks between pauses")
    if event.reason:
        parts.append(event.reason)
    if event.settled:
        parts.append(f"settled by {event.settled.done_by}: {event.settled.how}")
    return ": ".join([parts[0], "; ".join(parts[1:])]) if len(parts) > 1 else parts[0]


def _decision(decision: DecisionRecord) -> str:
    comment = f" – {decision.comment}" if decision.comment else ""
    return f"<div>{esc(decision.decided_by)} {esc(decision_words(decision) + comment, 700)}</div>"


def _waited(event: WaitingEvent) -> str:
    why = f": {event.reason}" if event.reason else ""
    return f"<div>While it waited, {esc(event.done_by)} {esc(WAITED_WORDS[event.kind] + why, 700)}</div>"


def _story(story: PhotoStory, timezone: str, picture_url: Callable[[PhotoRecord], str]) -> str:
    when = esc(clock(story.at, timezone))
    lines = [_waited(event) for event in story.waited]
    for verdict in story.verdicts:
        judgement = verdict.judgement
        words = judgement_words(judgement, say_unsure=True)
        if judgement.outcome is Outcome.CANNOT_JUDGE and judgement.reason:
            words += f": {REASON_WORDS[judgement.reason]}"
        version = f'<span class="cr-quiet cr-version">({esc(verdict.model_version)})</span>'
        lines.append(f"<div>Model: {esc(words)} {version}</div>")
    if story.state and story.state.before:
        which = ", ".join(f"photo {seen.photo_id}" for seen in story.state.before)
        lines.append(f"<div>{esc(stand_words(story.state))} ({esc(which)})</div>")
    lines += [_decision(decision) for decision in story.decisions]
    return (
        f'<li class="cr-photo"><img src="{picture_url(story.photo)}" alt="Coupler, {when}" loading="lazy">'
        f'<div><div class="cr-when">{when} · sent by {esc(story.photo.received_by)}</div>'
        f"{badge(story.standing)}{''.join(lines)}</div></li>"
    )


def _event(event: EventRecord, timezone: str) -> str:
    when = esc(clock(event.done_at, timezone))
    return (
        f'<li class="cr-event"><div class="cr-when">{when} · {esc(event.done_by)}</div>'
        f"<div><strong>{esc(event_words(event), 1200)}</strong></div></li>"
    )
