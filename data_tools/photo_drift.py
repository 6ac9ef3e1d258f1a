"""Do a week's photos look other than the same couplers' photos before, by site or by phone model? And are
they unlike everything that the live version was measured on (the gate's rendered photos) or that people
confirmed before?

What the live model sees in a photo is computed when first asked for and kept under ``derived/`` (it can be
deleted), one file a version.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
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
from data_tools.standing import RULED
from data_tools.training_set import coupler_name, rendered
from data_tools.workspace import Workspace
from model.drift import LEVEL, Drift, Unlike, drift, unlike
from model.errors import BadRequestError, storage_errors
from model.manifest import LabelledPhoto, read_manifest
from model.vocabulary import Outcome

MIN_COUPLERS = 10
"""Fewest couplers with photos of the week and before (common practice, no source)."""
EARLIER_EACH = 4
"""A coupler's so many latest earlier photos are compared with."""
FALSE_NOTICES = 0.01
"""Chance of any notice in a week without change: shared out among the sites or cameras and the two
questions (Bonferroni)."""
MOST_REFERENCE = 300
"""Confirmed and rendered photos of the reference, each."""
GROUPS = ("site", "camera")


@dataclass(frozen=True)
class DriftRow:
    """One site or phone model in one week. ``lacking`` says why nothing can be told, else it is empty;
    ``notice`` says in plain words what moved beyond chance and what to do, else it is empty. ``unlike``
    counts the couplers unlike everything that was measured on or confirmed before."""

    group: str
    name: str
    test: Drift
    lacking: str
    notice: str
    unlike: Unlike = Unlike()

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
    confirmed: bool = False


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
    known = _reference(ws, seen, week)
    looks = _vectors(ws, [*(photo.label for photo in kept), *known], progress)
    vectors, reference = looks[: len(kept)], (looks[len(kept) :], [label.coupler for label in known])
    groups = sorted({str(getattr(photo, by)) for photo in kept if photo.week == week})
    return tuple(_row(by, name, kept, vectors, reference, week, len(groups)) for name in groups)


def _reference(ws: Workspace, seen: Sequence[_Seen], week: tuple[int, int]) -> list[LabelledPhoto]:
    """Return the rendered photos that candidates are measured on and the last ones confirmed before."""
    confirmed = [photo.label for photo in seen if photo.confirmed and photo.week < week]
    gate = rendered(ws.settings.gate_manifest)
    photos = read_manifest(gate) if gate is not None else []
    usable = [p for p in photos if p.split == "test" and p.family and p.homography and p.reason is None]
    folder = gate.parent.resolve() if gate is not None else Path()
    return [
        *confirmed[-MOST_REFERENCE:],
        *(replace(photo, file=str(folder / photo.file)) for photo in usable[:MOST_REFERENCE]),
    ]


def _latest_week(seen: Sequence[_Seen]) -> tuple[int, int]:
    couplers: dict[tuple[int, int], set[str]] = defaultdict(set)
    for photo in seen:
        couplers[photo.week].add(photo.label.coupler)
    return max([week for week, names in couplers.items() if len(names) >= MIN_COUPLERS] or couplers)


def _located(ws: Workspace) -> list[_Seen]:
    """Return the judged photos with a located face, oldest first."""
    unit = joinedload(PhotoRow.coupler).joinedload(CouplerRow.unit)
    query = (
        select(PhotoRow, RoundRow.iso_year, RoundRow.iso_week, VerdictRow.judgement, PhotoStateRow.stand)
        .join(RoundRow, RoundRow.id == PhotoRow.round_id)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .join(VerdictRow, VerdictRow.id == PhotoStateRow.verdict_id)
        .where(VerdictRow.outcome == Outcome.SCORED)
        .options(unit.joinedload(UnitRow.site))
        .order_by(PhotoRow.seen_at, PhotoRow.id)
    )
    found = []
    with ws.read() as session:
        for photo, year, number, judgement, stand in session.execute(query):
            face = judgement_from_json(judgement).face
            if face is None:
                continue
            label = LabelledPhoto(
                photo.sha256, coupler_name(photo.coupler), face.family, homography=face.homography
            )
            site = photo.coupler.unit.site.key
            camera = photo.camera or "unknown camera"
            found.append(_Seen(label, (year, number), site, camera, stand in RULED))
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
    reference: tuple[NDArray[np.float32], list[str]],
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
    now = [n for n in rows if kept[n].week == week]
    strange = unlike(vectors[now], [kept[n].label.coupler for n in now], *reference)
    lacking, notices = "", list[str]()
    if test.couplers < MIN_COUPLERS:
        lacking = f"{test.couplers} of the {MIN_COUPLERS} couplers needed have photos of this week and before"
    elif test.p * 2 * groups < FALSE_NOTICES:
        notices.append(_moved(by, name, test, week))
    if strange.p * 2 * groups < FALSE_NOTICES:
        notices.append(_strange(by, name, strange, week))
    return DriftRow(by, name, test, lacking, " ".join(notices), strange)


def _who(by: str, name: str, week: tuple[int, int]) -> str:
    return f"Week {week[1]} of {week[0]}: the photos {'at' if by == 'site' else 'taken with'} {name}"


def _moved(by: str, name: str, test: Drift, week: tuple[int, int]) -> str:
    return (
        f"{_who(by, name, week)} look other than the same couplers' photos before "
        f"({test.now} against {test.before} photos, {test.couplers} couplers, p {test.p:.4f}). Look at some "
        "side by side: another phone, a dirty lens, other light, a new cable holder? Have these photos "
        "reviewed first; trust the model less on them until people have agreed with it again, then retrain."
    )


def _strange(by: str, name: str, strange: Unlike, week: tuple[int, int]) -> str:
    return (
        f"{_who(by, name, week)} are unlike what the live version was measured on and what was confirmed "
        f"before ({strange.unlike} of {strange.couplers} couplers beyond a distance that {LEVEL:.0%} reach "
        "by chance). Its limits were not set for such photos: review a good part of them, then retrain."
    )


def _vectors(
    ws: Workspace, labels: Sequence[LabelledPhoto], progress: model_side.StepProgress | None
) -> NDArray[np.float32]:
    """Return a row for each photo, from the kept file where it is there."""
    artefact = ws.live_artefact() or model_side.shipped_artefact()
    # The shipped file keeps its name when a new version of the product brings other weights.
    name = f"{artefact.stem}-{_digest(artefact)}"
    file = ws.folder / "derived" / "looks" / f"{name}.npz"
    known = _load(file)
    missing = {label.file: label for label in labels if label.file not in known}
    if missing:
        photos = [(label, _folder_of(ws, label)) for label in missing.values()]
        fresh = model_side.look_vectors(artefact, photos, progress=progress)
        known |= dict(zip(missing, fresh, strict=True))
        _save(file, known)
    return np.stack([known[label.file] for label in labels])


def _digest(artefact: Path) -> str:
    return hashlib.sha256(artefact.read_bytes()).hexdigest()[:12] if artefact.is_file() else "missing"


def _folder_of(ws: Workspace, label: LabelledPhoto) -> Path:
    """Return the folder of an original; a rendered photo is named by its whole path."""
    return Path() if Path(label.file).is_absolute() else ws.photos.path(label.file).parent


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
