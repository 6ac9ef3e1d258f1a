"""Units: what happened to each coupler, then and now, and how a finding grew."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from data_tools.access import Actor, Permission
from data_tools.history import Timeline, timeline
from data_tools.records import Coupler, Site, Unit, UnitStatus
from data_tools.workspace import Workspace
from model.errors import UnknownFamilyError
from model.families import family
from review_app import access, resources
from review_app.errands.family_doubt import draw_family_doubts
from review_app.errands.growth import draw_growth
from review_app.errands.move_photo import draw_move
from review_app.site_board import held_up
from review_app.stories import PhotoStory, events_of, photo_stories
from review_app.widgets.history_list import history_html
from review_app.widgets.photo_view import as_url
from review_app.widgets.pickers import pick_site, pick_unit, unit_title
from review_app.widgets.signs import badge
from review_app.widgets.text import clock, day, md, plain
from review_app.wording import Standing, sentence

_PAGE = 30


def show() -> None:
    """Draw the page."""
    ws, actor = resources.workspace(), access.here()
    st.title("Units", anchor=False)
    with st.container(horizontal=True):
        with st.container(width=320):
            site = pick_site(ws, actor)
        with st.container(width=320):
            unit = pick_unit(ws, actor, site) if site else None
    if site is None or unit is None:
        return
    whole = timeline(ws, actor, unit.key)
    _heading(ws, actor, site, whole.unit)
    draw_family_doubts(ws, actor, site, unit.key)
    coupler = _pick_coupler(whole)
    stories = photo_stories(whole, coupler.id if coupler else None)
    if stories:
        _then_and_now(ws, actor, site, stories)
        draw_growth(ws, actor, site, stories)
    _timeline(ws, site, whole, stories, coupler)
    draw_move(ws, actor, site, stories, coupler_title)


def _heading(ws: Workspace, actor: Actor, site: Site, unit: Unit) -> None:
    out = unit.status is UnitStatus.OUT_OF_SERVICE
    # The latest photo may look fine, and damage of an earlier one still stands.
    held = held_up(ws, actor, site, unit.key)
    with st.container(horizontal=True, vertical_alignment="center"):
        st.subheader(md(unit_title(unit)), anchor=False, width="content")
        st.html(
            badge(Standing.OUT_OF_SERVICE) if out else '<span class="cr-quiet">in service</span>',
            width="content",
        )
        if held and not out:
            st.html(badge(held[0]), width="content")
        if actor.may(Permission.ACT):
            st.page_link(
                resources.screen("act"),
                label="Act on this unit",
                icon=":material/build:",
                query_params={"site": site.key, "unit": unit.key},
            )
    if held:
        st.markdown(md(sentence(held[1]), 800))


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
    """Return one coupler in words: position, its time on the unit, family and part number."""
    try:
        title = family(coupler.family).title
    except UnknownFamilyError:
        title = coupler.family
    part = f", part {coupler.part_number}" if coupler.part_number else ""
    since = day(coupler.installed_on)
    # What tells couplers apart comes first: a phone cuts off the end.
    when = f"{since} to {day(coupler.removed_on)}" if coupler.removed_on else f"on the unit since {since}"
    return plain(f"{coupler.position}, {when}: {title}{part}")


def _then_and_now(ws: Workspace, actor: Actor, site: Site, stories: Sequence[PhotoStory]) -> None:
    st.subheader("Then and now", anchor=False)
    if len(stories) == 1:
        st.caption("Only one photo so far.")
    coupler_id = stories[0].photo.coupler_id
    whole = st.toggle("Whole photos instead of the straightened face", key=f"whole_{coupler_id}")
    # Without the day of the week: two lists side by side on a phone have no room for it.
    titles = [clock(story.at, site.timezone).partition(" ")[2] for story in stories]
    indices = list(range(len(stories)))
    for column, name, index in zip(st.columns(2, wrap=False), ("Then", "Now"), (0, -1), strict=True):
        if name == "Now" and len(stories) == 1:
            break
        with column:
            chosen = st.selectbox(
                name,
                indices,
                index=indices[index],
                format_func=titles.__getitem__,
                key=f"{name}_{coupler_id}_{stories[-1].photo.id}",
            )
            story = stories[chosen]
            side = resources.MEDIUM
            st.image(
                resources.picture(ws, story.photo, side)
                if whole
                else resources.face_or_photo(ws, actor, story.photo, side),
                alt=f"{name}: coupler on {titles[chosen]}",
                width="stretch",
            )
            st.html(badge(story.standing))


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
