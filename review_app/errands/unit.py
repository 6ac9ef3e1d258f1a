"""Units: what happened to each coupler, then and now, and how a finding grew."""

from __future__ import annotations

from collections.abc import Sequence

import altair as alt
import pandas as pd
import streamlit as st

from data_tools.access import Actor, Permission
from data_tools.history import timeline
from data_tools.records import Coupler, Site, Timeline, Unit, UnitStatus
from data_tools.workspace import Workspace
from model.errors import UnknownFamilyError
from model.families import family
from review_app import access, resources
from review_app.stories import PhotoStory, events_of, growth, photo_stories
from review_app.widgets.history_list import history_html
from review_app.widgets.photo_view import as_url
from review_app.widgets.pickers import pick_site, pick_unit, unit_title
from review_app.widgets.signs import badge
from review_app.widgets.text import clock, day, md, plain
from review_app.wording import Standing, place_phrase

_PAGE = 30
_FEWEST_FOR_GROWTH = 3


def show() -> None:
    """Draw the page."""
    ws, actor = resources.workspace(), access.here()
    st.title("Units")
    with st.container(horizontal=True):
        with st.container(width=320):
            site = pick_site(ws, actor)
        with st.container(width=320):
            unit = pick_unit(ws, actor, site) if site else None
    if site is None or unit is None:
        return
    whole = timeline(ws, actor, unit.key)
    _heading(actor, site, whole.unit)
    coupler = _pick_coupler(whole)
    stories = photo_stories(whole, coupler.id if coupler else None)
    if stories:
        _then_and_now(ws, site, stories)
        _growth(stories)
    _timeline(ws, site, whole, stories, coupler)


def _heading(actor: Actor, site: Site, unit: Unit) -> None:
    out = unit.status is UnitStatus.OUT_OF_SERVICE
    with st.container(horizontal=True, vertical_alignment="center"):
        st.subheader(md(unit_title(unit)), anchor=False, width="content")
        st.html(
            badge(Standing.OUT_OF_SERVICE) if out else '<span class="cr-quiet">in service</span>',
            width="content",
        )
        if actor.may(Permission.ACT):
            st.page_link(
                resources.screen("act"),
                label="Act on this unit",
                icon=":material/build:",
                query_params={"site": site.key, "unit": unit.key},
            )


def _pick_coupler(whole: Timeline) -> Coupler | None:
    couplers = sorted(
        whole.couplers, key=lambda c: (c.removed_on is not None, c.position, -c.installed_on.toordinal())
    )
    if not couplers:
        st.info("This unit has no coupler on record.")
        return None
    if len(couplers) == 1:
        st.caption(md(coupler_title(couplers[0])))
        return couplers[0]
    by_id = {coupler.id: coupler for coupler in couplers}
    chosen = st.selectbox(
        "Coupler",
        list(by_id),
        format_func=lambda key: coupler_title(by_id[key]),
        key=f"coupler_{whole.unit.key}",
    )
    return by_id.get(chosen)


def coupler_title(coupler: Coupler) -> str:
    """Return one coupler in words: position, family, part number and its time on the unit."""
    try:
        title = family(coupler.family).title
    except UnknownFamilyError:
        title = coupler.family
    until = f", removed {day(coupler.removed_on)}" if coupler.removed_on else ", on the unit now"
    part = f", part {coupler.part_number}" if coupler.part_number else ""
    return plain(f"Position {coupler.position}: {title}{part}, since {day(coupler.installed_on)}{until}")


def _then_and_now(ws: Workspace, site: Site, stories: Sequence[PhotoStory]) -> None:
    st.subheader("Then and now", anchor=False)
    if len(stories) == 1:
        st.caption("Only one photo so far.")
    titles = [clock(story.at, site.timezone) for story in stories]
    indices = list(range(len(stories)))
    coupler_id = stories[0].photo.coupler_id
    for column, name, index in zip(st.columns(2, wrap=False), ("Then", "Now"), (0, -1), strict=True):
        if name == "Now" and len(stories) == 1:
            break
        with column:
            chosen = st.selectbox(
                name,
                indices,
                index=indices[index],
                format_func=titles.__getitem__,
                key=f"{name}_{coupler_id}",
            )
            story = stories[chosen]
            st.image(
                resources.picture(ws, story.photo, resources.MEDIUM),
                alt=f"{name}: coupler on {titles[chosen]}",
                width="stretch",
            )
            st.html(badge(story.standing))


def _growth(stories: list[PhotoStory]) -> None:
    points = growth(stories)
    times = {point.at for point in points}
    st.subheader("How it grew", anchor=False)
    if not points:
        st.caption("No damage has stood out in any photo of this coupler.")
        return
    if len(times) < _FEWEST_FOR_GROWTH:
        st.caption(f"Not enough data: {len(times)} judged photos, {_FEWEST_FOR_GROWTH} needed.")
        return
    frame = pd.DataFrame(
        {
            "at": [point.at for point in points],
            "probability": [point.probability for point in points],
            "finding": [place_phrase(point.kind, point.place) for point in points],
        }
    )
    chart = (
        alt.Chart(frame)
        .mark_line(point={"size": 50})
        .encode(
            x=alt.X("at:T", title=None),
            y=alt.Y("probability:Q", title="model's probability", scale=alt.Scale(domain=[0, 1])),
            color=alt.Color("finding:N", legend=alt.Legend(orient="bottom", title=None, labelLimit=300)),
            strokeDash=alt.StrokeDash("finding:N", legend=None),
        )
        .properties(height=240)
    )
    st.altair_chart(chart, width="stretch", alt="The model's probability of each finding over time")
    st.caption(f"n = {len(times)} judged photos. The probability is the model's, not the size of the damage.")


def _timeline(
    ws: Workspace, site: Site, whole: Timeline, stories: Sequence[PhotoStory], coupler: Coupler | None
) -> None:
    st.subheader("What happened", anchor=False)
    events = events_of(whole, coupler.id if coupler else None)
    if not stories and not events:
        st.info("Nothing yet. The first photo of the next round starts the history.")
        return
    pages = -(-len(stories) // _PAGE) or 1
    page = st.pagination(pages, key=f"history_{whole.unit.key}") if pages > 1 else 1
    newest_first = list(reversed(stories))
    part = newest_first[(page - 1) * _PAGE : page * _PAGE]
    since = min((story.at for story in part), default=None) if page < pages else None
    until = newest_first[(page - 1) * _PAGE - 1].at if page > 1 else None
    between = [
        e for e in events if (since is None or e.done_at >= since) and (until is None or e.done_at < until)
    ]
    st.html(
        history_html(
            part, between, site.timezone, lambda photo: as_url(resources.picture(ws, photo, resources.SMALL))
        )
    )
