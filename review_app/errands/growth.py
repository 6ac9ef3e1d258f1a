"""How a finding grew: one place of one coupler, photo by photo, and what the model said of it over time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import altair as alt
import pandas as pd
import streamlit as st

from data_tools.access import Actor
from data_tools.records import Site, TrueFinding
from data_tools.workspace import Workspace
from review_app import resources
from review_app.stories import GrowthPoint, PhotoStory, damaged_places, growth, probability_at
from review_app.widgets.charts import ACCENT, INK
from review_app.widgets.photo_view import as_url
from review_app.widgets.strip import Shot, strip_html
from review_app.widgets.text import day
from review_app.wording import place_phrase, sentence

_FEWEST = 3
_SHOTS = 8


def draw_growth(ws: Workspace, actor: Actor, site: Site, stories: Sequence[PhotoStory]) -> None:
    """Draw the places of one coupler that ever showed damage, as they were from photo to photo."""
    st.subheader("How it grew", anchor=False)
    places = damaged_places(stories)
    if not places:
        st.caption("No damage has stood out in any photo of this coupler.")
        return
    phrases = [sentence(place_phrase(finding.kind, finding.place)) for finding in places]
    chosen = 0
    if len(places) > 1:
        # Numbers, because Streamlit takes a record for several values.
        numbers = list(range(len(places)))
        key = f"growth_{stories[0].photo.coupler_id}"
        chosen = (
            st.pills("Finding", numbers, default=0, required=True, format_func=phrases.__getitem__, key=key)
            or 0
        )
    else:
        st.markdown(f"**{phrases[0]}**")
    finding = places[chosen]
    _strip(ws, actor, site, stories, finding)
    _chart([p for p in growth(stories) if (p.kind, p.place) == (finding.kind, finding.place)])


def picked(stories: Sequence[PhotoStory], most: int = _SHOTS) -> list[PhotoStory]:
    """Return at most ``most`` photos, evenly over the time; the first and the last are always there."""
    last = len(stories) - 1
    if last < most:
        return list(stories)
    return [stories[round(step * last / (most - 1))] for step in range(most)]


def _strip(
    ws: Workspace, actor: Actor, site: Site, stories: Sequence[PhotoStory], finding: TrueFinding
) -> None:
    located = [story for story in stories if story.verdicts and story.verdicts[-1].judgement.face]
    shots = []
    for story in picked(located):
        close = resources.face_of(ws, actor, story.photo, resources.SMALL, finding.place)
        if close is None:
            continue
        person = story.said_of(finding)
        lines = (_model_words(story, finding), *((person,) if person else ()))
        shots.append(Shot(as_url(close), day(story.at.date(), date.today()), lines))
    if not shots:
        st.caption("The place could not be found in any photo.")
        return
    st.html(strip_html(shots, f"The same place in {len(shots)} photos, oldest first"))
    left_out = f" of {len(stories)}" if len(shots) < len(stories) else ""
    st.caption(f"n = {len(shots)}{left_out} photos, oldest first, each cut out and turned straight.")


def _model_words(story: PhotoStory, finding: TrueFinding) -> str:
    chance = probability_at(story, finding)
    if chance is None:
        return "model: cannot judge"
    face = story.verdicts[-1].judgement.face
    hidden = face is not None and not face.visible.get(finding.place, True)
    return f"model {chance:.0%}" + (", place hidden" if hidden else "")


def _chart(points: Sequence[GrowthPoint]) -> None:
    if not points:
        return
    times = {point.at for point in points}
    if len(times) < _FEWEST:
        st.caption(f"Not enough data for a curve: {len(times)} judged photos, {_FEWEST} needed.")
        return
    frame = pd.DataFrame({"at": [p.at for p in points], "probability": [p.probability for p in points]})
    chart = (
        alt.Chart(frame)
        .mark_line(point={"size": 50}, color=ACCENT)
        .encode(
            x=alt.X("at:T", title=None, axis=alt.Axis(labelColor=INK, format="%d %b %y")),
            y=alt.Y(
                "probability:Q",
                title="model's probability",
                scale=alt.Scale(domain=[0, 1]),
                axis=alt.Axis(format="%", labelColor=INK, titleColor=INK),
            ),
        )
        .properties(height=220)
    )
    st.altair_chart(chart, width="stretch", alt="The model's probability of the finding over time")
    st.caption(f"n = {len(times)} judged photos. The probability is the model's, not the size of the damage.")
