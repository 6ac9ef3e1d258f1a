"""Do a week's photos look other than the same couplers' photos before, by site or by phone model?

What the live model sees in a photo is computed when first asked for and kept under ``derived/`` (it can be
deleted), one file a version.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import joinedload

from data_tools import model_side
from data_tools.access import Actor, Permission
from data_tools.database.schema import CouplerRow, PhotoRow, PhotoStateRow, RoundRow, UnitRow, VerdictRow
from data_tools.lookup import judgement_from_json
from data_tools.photo_store import storage_errors
from data_tools.training_set import coupler_name
from data_tools.workspace import Workspace
from model.drift import Drift, drift
from model.errors import BadRequestError
from model.manifest import LabelledPhoto
from model.vocabulary import Outcome

MIN_COUPLERS = 10
"""Fewest couplers with photos of the week and before (common practice, no source)."""
EARLIER_EACH = 4
"""A coupler's so many latest earlier photos are compared with."""
FALSE_NOTICES = 0.01
"""Chance of any notice in a week without change: shared out among the sites or cameras (Bonferroni)."""
GROUPS = ("site", "camera")


@dataclass(frozen=True)
class DriftRow:
    """One site or phone model in one week. ``lacking`` says why nothing can be told, else it is empty;
    ``notice`` says in plain words what moved beyond chance and what to do, else it is empty."""

    group: str
    name: str
    test: Drift
    lacking: str
    notice: str

    @property
    def flagged(self) -> bool:
        """Whether the photos changed beyond chance."""
        return bool(self.notice)


@dataclass(frozen=True)
class _Seen:
    label: LabelledPhoto
    week: tuple[int, int]
    site: str
    camera: str


def photo_drift(
    ws: Workspace,
    actor: Actor,
    *,
    by: str = "site",
    week: tuple[int, int] | None = None,
    progress: model_side.StepProgress | None = None,
) -> tuple[DriftRow, ...]:
    """Return a row for each site (or camera) with photos in ``week`` (ISO year and week; default: the last
    with photos of enough couplers, so that a round that has just begun does not hide the one before).

    Raises:
        BadRequestError: ``by`` is neither site nor camera.
        NotFoundError: an original is missing from the store.
    """
    actor.require(Permission.PLAN)
    if by not in GROUPS:
        raise BadRequestError(f"drift by {' or '.join(GROUPS)}", repr(by), "Use one of these.")
    seen = _located(ws)
    if not seen:
        return ()
    week = week or _latest_week(seen)
    kept = _compared(seen, week)
    vectors = _vectors(ws, [photo.label for photo in kept], progress)
    groups = sorted({str(getattr(photo, by)) for photo in kept if photo.week == week})
    return tuple(_row(by, name, kept, vectors, week, len(groups)) for name in groups)


def _latest_week(seen: Sequence[_Seen]) -> tuple[int, int]:
    couplers: dict[tuple[int, int], set[str]] = defaultdict(set)
    for photo in seen:
        couplers[photo.week].add(photo.label.coupler)
    return max([week for week, names in couplers.items() if len(names) >= MIN_COUPLERS] or couplers)


def _located(ws: Workspace) -> list[_Seen]:
    """Return the judged photos with a located face, oldest first."""
    unit = joinedload(PhotoRow.coupler).joinedload(CouplerRow.unit)
    query = (
        select(PhotoRow, RoundRow.iso_year, RoundRow.iso_week, VerdictRow.judgement)
        .join(RoundRow, RoundRow.id == PhotoRow.round_id)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .join(VerdictRow, VerdictRow.id == PhotoStateRow.verdict_id)
        .where(VerdictRow.outcome == Outcome.SCORED)
        .options(unit.joinedload(UnitRow.site))
        .order_by(PhotoRow.seen_at, PhotoRow.id)
    )
    found = []
    with ws.read() as session:
        for photo, year, number, judgement in session.execute(query):
            face = judgement_from_json(judgement).face
            if face is None:
                continue
            label = LabelledPhoto(
                photo.sha256, coupler_name(photo.coupler), face.family, homography=face.homography
            )
            site = photo.coupler.unit.site.key
            found.append(_Seen(label, (year, number), site, photo.camera or "unknown camera"))
    return found


def _compared(seen: Sequence[_Seen], week: tuple[int, int]) -> list[_Seen]:
    """Return the week's photos and the latest earlier ones of the same couplers."""
    now = [photo for photo in seen if photo.week == week]
    couplers = {photo.label.coupler for photo in now}
    earlier: dict[str, list[_Seen]] = defaultdict(list)
    for photo in seen:
        if photo.week < week and photo.label.coupler in couplers:
            earlier[photo.label.coupler].append(photo)
    return [*now, *(photo for name in sorted(earlier) for photo in earlier[name][-EARLIER_EACH:])]


def _row(
    by: str,
    name: str,
    kept: Sequence[_Seen],
    vectors: NDArray[np.float32],
    week: tuple[int, int],
    groups: int,
) -> DriftRow:
    of_group = {p.label.coupler for p in kept if p.week == week and getattr(p, by) == name}
    rows = [
        n
        for n, p in enumerate(kept)
        if p.label.coupler in of_group and (p.week < week or getattr(p, by) == name)
    ]
    test = drift(vectors[rows], [kept[n].week == week for n in rows], [kept[n].label.coupler for n in rows])
    lacking, notice = "", ""
    if test.couplers < MIN_COUPLERS:
        lacking = f"{test.couplers} of the {MIN_COUPLERS} couplers needed have photos of this week and before"
    elif test.p * groups < FALSE_NOTICES:
        notice = _notice(by, name, test, week)
    return DriftRow(by, name, test, lacking, notice)


def _notice(by: str, name: str, test: Drift, week: tuple[int, int]) -> str:
    who = f"at {name}" if by == "site" else f"taken with {name}"
    return (
        f"Week {week[1]} of {week[0]}: the photos {who} look other than the same couplers' photos before "
        f"({test.now} against {test.before} photos, {test.couplers} couplers, p {test.p:.4f}). Look at some "
        "side by side: another phone, a dirty lens, other light, a new cable holder? Have these photos "
        "reviewed first; trust the model less on them until people have agreed with it again, then retrain."
    )


def _vectors(
    ws: Workspace, labels: Sequence[LabelledPhoto], progress: model_side.StepProgress | None
) -> NDArray[np.float32]:
    """Return a row for each photo, from the kept file where it is there."""
    artefact = ws.live_artefact() or model_side.shipped_artefact()
    file = ws.folder / "derived" / "looks" / f"{artefact.stem}.npz"
    known = _load(file)
    missing = {label.file: label for label in labels if label.file not in known}
    if missing:
        photos = [(label, ws.photos.path(label.file).parent) for label in missing.values()]
        fresh = model_side.look_vectors(artefact, photos, progress=progress)
        known |= dict(zip(missing, fresh, strict=True))
        _save(file, known)
    return np.stack([known[label.file] for label in labels])


def _load(file: Path) -> dict[str, NDArray[np.float32]]:
    try:
        with np.load(file, allow_pickle=False) as kept:
            return dict(zip(kept["photos"].tolist(), kept["vectors"], strict=True))
    except (OSError, ValueError, KeyError, BadZipFile):
        return {}  # absent or damaged: it is made again


def _save(file: Path, known: dict[str, NDArray[np.float32]]) -> None:
    with storage_errors(f"to keep what was seen in {file.parent}"):
        file.parent.mkdir(parents=True, exist_ok=True)
        part = file.with_suffix(".part")
        with part.open("wb") as target:
            np.savez(target, photos=np.array(list(known)), vectors=np.stack(list(known.values())))
        part.replace(file)
