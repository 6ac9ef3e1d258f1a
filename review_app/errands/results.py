"""What came of the photos just sent: what needs somebody first, each with what to do now.

The list is read from the store when a tab opens, so that a reloaded page tells the same again.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, time

import streamlit as st

from data_tools.access import Actor
from data_tools.received import received_since
from data_tools.records import IngestedFile, IngestStatus, Site
from data_tools.workspace import Workspace
from model.vocabulary import Outcome
from review_app.standing import standing_of_file
from review_app.widgets.result_card import result_card
from review_app.widgets.text import zone
from review_app.widgets.verdict_card import card
from review_app.wording import Standing

_ORDER = list(Standing)
_MOST_CARDS = 30
_CLEAR_CARDS = 4
_NAMED = 40


def add_results(site: Site, files: Sequence[IngestedFile]) -> None:
    """Put what came of an upload on top of the list."""
    lists = st.session_state.setdefault("results", {})
    lists[site.key] = [*files, *lists.get(site.key, [])]


def _results_of(ws: Workspace, actor: Actor, site: Site) -> list[IngestedFile]:
    lists: dict[str, list[IngestedFile]] = st.session_state.setdefault("results", {})
    if site.key not in lists:
        here = zone(site.timezone)
        midnight = datetime.combine(datetime.now(here).date(), time(), here)
        lists[site.key] = received_since(ws, actor, site.key, midnight)
    return lists[site.key]


def draw_results(ws: Workspace, actor: Actor, site: Site) -> None:
    """Draw the answers to what was sent, what needs somebody first."""
    results = _results_of(ws, actor, site)
    if not results:
        return
    kept = sum(file.status is not IngestStatus.NOT_RECEIVED for file in results)
    st.subheader(f"Received and kept: {kept} of {len(results)}", anchor=False)
    shown = sorted(without_retaken(results), key=lambda file: _ORDER.index(standing_of_file(file)))
    urgent = [file for file in shown if standing_of_file(file) is not Standing.NO_DAMAGE]
    clear = [file for file in shown if standing_of_file(file) is Standing.NO_DAMAGE]
    above = None
    for file in [*urgent[:_MOST_CARDS], *clear[:_CLEAR_CARDS]]:
        st.html(result_card(ws, file, same_steps=standing_of_file(file) is above))
        above = standing_of_file(file)
    _rest(urgent[_MOST_CARDS:], clear[_CLEAR_CARDS:])
    st.button("Clear this list (the photos stay kept)", on_click=_clear, args=(site.key,))


def without_retaken(files: Sequence[IngestedFile]) -> list[IngestedFile]:
    """Leave out "take it again" where a later photo of the same coupler could be judged; newest first."""
    kept: list[IngestedFile] = []
    done: set[int] = set()
    for file in files:
        scored = file.verdict is not None and file.verdict.judgement.outcome is Outcome.SCORED
        if file.photo is not None and not scored and file.photo.coupler_id in done:
            continue
        if file.photo is not None and scored:
            done.add(file.photo.coupler_id)
        kept.append(file)
    return kept


def _rest(urgent: Sequence[IngestedFile], clear: Sequence[IngestedFile]) -> None:
    """Name the photos that have no card of their own."""
    if urgent:
        st.warning(f"{len(urgent)} more need somebody: see the units below.", icon=":material/warning:")
    if clear:
        names = sorted({file.photo.unit_key for file in clear if file.photo})
        more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
        st.html(
            card(
                Standing.NO_DAMAGE,
                words=f"No damage seen in {len(clear)} more",
                body=f"Units {', '.join(names[:_NAMED])}{more}",
            )
        )


def _clear(site_key: str) -> None:
    st.session_state["results"][site_key] = []
