"""What came of the photos sent today: what needs somebody first, each with what to do now.

The list is read from the store when a tab opens, so that a reloaded page tells the same again. What it says
follows what stands now: a technician may have overruled an answer since, and a new day begins with none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, time

import streamlit as st

from data_tools.access import Actor
from data_tools.answers import state_of_file
from data_tools.received import received_since, standing_now
from data_tools.records import IngestedFile, IngestStatus, Site
from data_tools.workspace import Workspace
from review_app.standing import standing_of_file
from review_app.widgets.guard import told_plainly
from review_app.widgets.result_card import result_card
from review_app.widgets.text import zone
from review_app.widgets.verdict_card import card
from review_app.wording import MORE_WORDS, Standing

_ORDER = list(Standing)
_MOST_CARDS = 30
_CLEAR_CARDS = 4
_NAMED = 40
_LOOK_AGAIN_S = 60.0


def add_results(site: Site, files: Sequence[IngestedFile]) -> None:
    """Put what came of an upload on top of the list of today."""
    _keep(site, [*files, *(_kept_today(site) or ())])


def _today(site: Site) -> date:
    return datetime.now(zone(site.timezone)).date()


def _keep(site: Site, files: list[IngestedFile]) -> None:
    st.session_state.setdefault("results", {})[site.key] = (_today(site), files)


def _kept_today(site: Site) -> list[IngestedFile] | None:
    """Return this tab's list of the site's day; ``None`` where it has none, or one of another day."""
    kept: tuple[date, list[IngestedFile]] | None = st.session_state.get("results", {}).get(site.key)
    return kept[1] if kept is not None and kept[0] == _today(site) else None


def _results_of(ws: Workspace, actor: Actor, site: Site) -> list[IngestedFile]:
    files = _kept_today(site)
    if files is None:
        midnight = datetime.combine(_today(site), time(), zone(site.timezone))
        files = received_since(ws, actor, site.key, midnight)
        _keep(site, files)
    return standing_now(ws, actor, site.key, files) if files else []


def draw_results(ws: Workspace, actor: Actor, site: Site) -> None:
    """Draw the answers to what was sent, what needs somebody first, looked up anew once a minute."""

    @st.fragment(run_every=_LOOK_AGAIN_S, key="answers")
    def drawn() -> None:
        with told_plainly():
            _draw(ws, actor, site)

    drawn()


def _draw(ws: Workspace, actor: Actor, site: Site) -> None:
    results = _results_of(ws, actor, site)
    if not results:
        return
    kept = sum(file.status is not IngestStatus.NOT_RECEIVED for file in results)
    st.subheader(f"Received and kept: {kept} of {len(results)}", anchor=False)
    shown = sorted(without_retaken(results), key=lambda file: _ORDER.index(standing_of_file(file)))
    urgent = [file for file in shown if standing_of_file(file) not in MORE_WORDS]
    calm = {which: [file for file in shown if standing_of_file(file) is which] for which in MORE_WORDS}
    above = None
    for file in [*urgent[:_MOST_CARDS], *(file for some in calm.values() for file in some[:_CLEAR_CARDS])]:
        st.html(result_card(ws, file, same_steps=standing_of_file(file) is above))
        above = standing_of_file(file)
    _rest(urgent[_MOST_CARDS:], {which: some[_CLEAR_CARDS:] for which, some in calm.items()})
    st.button("Clear this list (the photos stay kept)", on_click=_clear, args=(site,))


def without_retaken(files: Sequence[IngestedFile]) -> list[IngestedFile]:
    """Leave out "take it again" where a later photo of the same coupler could be judged; newest first."""
    kept: list[IngestedFile] = []
    done: set[int] = set()
    for file in files:
        state = state_of_file(file)
        scored = state is not None and state.judged
        if file.photo is not None and not scored and file.photo.coupler_id in done:
            continue
        if file.photo is not None and scored:
            done.add(file.photo.coupler_id)
        kept.append(file)
    return kept


def _rest(urgent: Sequence[IngestedFile], calm: Mapping[Standing, Sequence[IngestedFile]]) -> None:
    """Name the photos that have no card of their own."""
    if urgent:
        st.warning(f"{len(urgent)} more need somebody: see the units below.", icon=":material/warning:")
    for standing, files in calm.items():
        if not files:
            continue
        names = sorted({file.photo.unit_key for file in files if file.photo})
        more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
        st.html(
            card(
                standing,
                words=MORE_WORDS[standing].format(len(files)),
                body=f"Units {', '.join(names[:_NAMED])}{more}",
            )
        )


def _clear(site: Site) -> None:
    _keep(site, [])
