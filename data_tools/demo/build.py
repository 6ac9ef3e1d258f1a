"""Plays the story through the public verbs, week by week, as the people in it would have done."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from data_tools.demo.samples import SampleBook
from data_tools.demo.stage import Stage, clock
from data_tools.demo.story import LEAD, OBSERVATIONS, SITES, UNITS, WEEKS
from data_tools.demo.workshop import Workshop
from data_tools.model_side import Judge
from data_tools.settings import Settings
from data_tools.sites import add_site, add_unit, list_sites
from data_tools.workspace import DATABASE, Workspace, init_workspace, now_or, open_workspace
from model.errors import ConflictError, storage_errors

DEMO_SETTINGS: dict[str, float] = {"blind_audit_share": 0.15}
"""More audits than usual, so that half a year of a small operator gives a miss rate."""
Progress = Callable[[float, str], None]
"""Called with the share done (0..1) and what is being played."""
_OPEN_WEEKS = 2
_SETTINGS_FILE = "settings.toml"


@dataclass(frozen=True)
class DemoReport:
    """What the demo holds: counts of what went through the verbs."""

    sites: int
    units: int
    weeks: int
    photos: int
    decisions: int
    replacements: int


def demo_settings(settings: Settings) -> Settings:
    """Return ``settings`` with what the demo needs differently."""
    return replace(settings, **DEMO_SETTINGS)  # type: ignore[arg-type]


def is_there(folder: Path) -> bool:
    """Whether ``folder`` holds a workspace, the demo or another."""
    return (folder / DATABASE).is_file()


def make_demo(
    folder: Path,
    samples_dir: Path,
    *,
    progress: Progress | None = None,
    now: datetime | None = None,
    classifier: Judge | None = None,
) -> Workspace:
    """Open the demo in ``folder``, building it first where there is none.

    It is built beside ``folder`` and moved there when it is whole: an interrupted build leaves no half demo.

    Raises:
        ConflictError: ``folder`` holds something else, be it another workspace.
        ManifestError: the samples cannot be used.
    """
    settings = Settings(workspace=folder, **DEMO_SETTINGS)  # type: ignore[arg-type]
    if folder.exists() and any(folder.iterdir()):
        if not is_there(folder):
            raise ConflictError("an empty or a demo folder", f"{folder}", "Choose another folder.")
        return _opened(settings, classifier)
    whole = folder.absolute()  # "." has no name to put anything behind
    unfinished = whole.with_name(f"{whole.name}.unfinished")
    with storage_errors(f"to make the demo in {folder}"):
        shutil.rmtree(unfinished, ignore_errors=True)
        try:
            _build_in(unfinished, samples_dir, settings, classifier, progress, now)
            _move(unfinished, folder)
        finally:
            shutil.rmtree(unfinished, ignore_errors=True)
    return open_workspace(settings, classifier=classifier)


def _opened(settings: Settings, classifier: Judge | None) -> Workspace:
    ws = open_workspace(settings, classifier=classifier)
    if {site.key for site in SITES} <= {site.key for site in list_sites(ws, LEAD, closed=True)}:
        return ws
    ws.close()
    raise ConflictError(
        "an empty or a demo folder",
        f"{settings.workspace}, a workspace of your own",
        "Choose another folder.",
    )


def _move(whole: Path, folder: Path) -> None:
    """Move a finished demo to ``folder``. One that is there is filled and not replaced, since somebody may be
    in it; its database comes last, for it makes it a workspace."""
    if not folder.exists():
        whole.rename(folder)
        return
    for entry in sorted(whole.iterdir(), key=lambda entry: entry.name == DATABASE):
        entry.rename(folder / entry.name)


def _build_in(
    folder: Path,
    samples_dir: Path,
    settings: Settings,
    classifier: Judge | None,
    progress: Progress | None,
    now: datetime | None,
) -> None:
    ws = init_workspace(replace(settings, workspace=folder), classifier=classifier)
    try:
        build_demo(ws, samples_dir, progress=progress, now=now)
    finally:
        ws.close()
    lines = [f"{name} = {value}\n" for name, value in DEMO_SETTINGS.items()]
    (folder / _SETTINGS_FILE).write_text("".join(lines), encoding="utf-8")


def build_demo(
    ws: Workspace, samples_dir: Path, progress: Progress | None = None, *, now: datetime | None = None
) -> DemoReport:
    """Fill an empty workspace with the invented operator's half year, which ends at ``now``.

    ``samples_dir`` is a labelled set (``manifest.jsonl`` and photos). Every verdict is computed by the
    workspace's live model on the photos themselves; the same samples, model and ``now`` give the same demo.
    The photos of the last two weeks wait undecided, so that there is something to review.

    Raises:
        ConflictError: the workspace is not empty.
        ManifestError: the samples cannot be used.
    """
    moment = now_or(now)
    if list_sites(ws, LEAD, closed=True):
        raise ConflictError("an empty workspace for the demo", "one with sites", "Choose another folder.")
    book = SampleBook(samples_dir)
    first_monday = (moment - timedelta(days=moment.weekday(), weeks=WEEKS - 1)).replace(
        hour=0, minute=0, second=0, microsecond=0
    )
    _set_up(ws, first_monday)
    stage, workshop = Stage(ws, book, first_monday), Workshop(ws)
    for week in range(WEEKS):
        if progress is not None:
            progress(week / WEEKS, f"week {week + 1} of {WEEKS}")
        _play(stage, workshop, week, first_monday + timedelta(weeks=week), moment)
    if progress is not None:
        progress(1.0, "done")
    return DemoReport(len(SITES), len(UNITS), WEEKS, stage.photos, workshop.decisions, workshop.replacements)


def _set_up(ws: Workspace, first_monday: datetime) -> None:
    entered = first_monday - timedelta(days=3)
    for site in SITES:
        add_site(ws, LEAD, site.key, site.name, "UTC", now=entered)
    for unit in UNITS:
        installed = (first_monday - timedelta(days=unit.age_days)).date()
        add_unit(
            ws,
            LEAD,
            unit.site,
            unit.key,
            f"Bay {unit.key[-2:]}",
            family=unit.family,
            part_number=unit.part_number,
            installed_on=min(installed, entered.date()),
            now=entered,
        )


def _play(stage: Stage, workshop: Workshop, week: int, monday: datetime, until: datetime) -> None:
    """One week: three rounds, what staff noticed, then the technicians' day and the repairs."""
    for site in SITES:
        start = monday + timedelta(days=site.weekday, hours=8)
        if start < until:
            stage.walk(site, week, start, min(start + timedelta(hours=3), until))
    if week == WEEKS - 1:
        stage.send_strays(SITES[0], min(monday + timedelta(hours=12), until))
    for seen in (s for s in OBSERVATIONS if s.week == week):
        stage.observe(seen, min(monday + timedelta(days=2, hours=11), until))
    if week < WEEKS - _OPEN_WEEKS:
        workshop.review(week, monday + timedelta(days=3, hours=9), stage.truth_of)
        workshop.repair(week, clock(monday, 4))
