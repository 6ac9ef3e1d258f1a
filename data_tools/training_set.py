"""Decisions -> a frozen, hashed training set. The same decisions give the same bytes.

Rules. Only what stands counts (see ``standing``). Out: photos with an open conflict or an unanswered
second opinion, "cannot tell", and those whose original is lost. In: confirmed and corrected photos, and
refusals that a person confirmed (with their reason). A replaced coupler and its successor are two couplers.
One coupler in five, fixed by a hash of its name, is held out for ever: its photos are only ever used to
compare versions. Left out of them: photos once filed under a coupler that is learnt from. Where the model
took the face for another family than the coupler's, or found none, nobody knows where the face lies: such
photos are compared on, not learnt from."""

from __future__ import annotations

import os
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from data_tools.access import Actor, Permission
from data_tools.database.schema import (
    CouplerRow,
    DecisionRow,
    EventRow,
    PhotoRow,
    PhotoStateRow,
    UnitRow,
    VerdictRow,
)
from data_tools.lookup import decision_records, judgement_from_json
from data_tools.records import DecisionKind
from data_tools.stable_draw import share_of
from data_tools.standing import Standing, fold
from data_tools.workspace import Workspace
from model.durable import PART_SUFFIX, write_durably
from model.errors import START_AGAIN, storage_errors
from model.families import FAMILIES
from model.judgement import Judgement
from model.manifest import LabelledFinding, LabelledPhoto, write_manifest
from model.vocabulary import Label, Reason, Triage, summary_label

HELD_OUT_SHARE = 0.2
"""Not a setting: whoever changed it would train on what was promised to be held out."""
TRAIN, HELD_OUT = "train", "held_out"
LOST = "left out: original lost"
UNLOCATED = "left out: where the face lies is not known"
KEPT = Path(__file__).parents[1] / "synthetic_samples" / "kept" / "manifest.jsonl"
"""Rendered photos beside the packages, of couplers that no shipped weights have learnt from: split ``train``
is replayed, split ``test`` is the gate's; an installed wheel has none."""
UNLEARNT = KEPT.parents[1] / "elsewhere" / "manifest.jsonl"
"""Rendered photos that nothing is learnt from and no gate uses; an installed wheel has none."""


@dataclass(frozen=True)
class FrozenSet:
    """A frozen training set. ``digest`` is the SHA-256 of ``manifest``, which holds every photo with its
    split; ``held_out`` and ``never_regress`` are the parts that candidates are compared on. ``counts``
    says how many photos are in each part, under each label, and why others were left out."""

    digest: str
    manifest: Path
    held_out: Path
    never_regress: Path
    counts: dict[str, int]


def freeze(ws: Workspace, actor: Actor, out_dir: Path | None = None) -> FrozenSet:
    """Write the training set of all decisions that stand now (default: into the workspace's
    ``training_sets``).

    Raises:
        StorageError: the folder cannot be written; nothing half-written stays.
    """
    actor.require(Permission.MANAGE_MODELS)
    folder = out_dir or ws.training_sets

    def here(sha256: str) -> bool:
        return ws.photos.has(sha256) or (folder / "photos" / sha256).is_file()

    with ws.read() as session:
        photos, counts = labelled(session, here)
    with storage_errors(f"to write a training set in {folder}", START_AGAIN):
        (folder / "photos").mkdir(parents=True, exist_ok=True)
        for photo in photos:
            if not (folder / photo.file).is_file():
                _link(ws.photos.path(Path(photo.file).name), folder / photo.file)
        digest = _write(folder, photos, "")
        stem = digest[:16]
        held = [photo for photo in photos if photo.split == HELD_OUT]
        regress = [photo for photo in photos if photo.attributes["missed_as_clear"]]
        _write(folder, held, f"{stem}-held_out")
        _write(folder, regress, f"{stem}-never_regress")
    counts["never_regress"] = len(regress)
    manifest, held_out, regress_list = (
        folder / f"{stem}{suffix}.jsonl" for suffix in ("", "-held_out", "-never_regress")
    )
    return FrozenSet(digest, manifest, held_out, regress_list, dict(sorted(counts.items())))


def _write(folder: Path, photos: list[LabelledPhoto], stem: str) -> str:
    """Write a manifest as ``stem`` (empty: named by its own digest) and return its digest."""
    part = folder / f".{os.getpid()}{PART_SUFFIX}"
    try:
        digest = write_manifest(part, photos)
        part.replace(folder / f"{stem or digest[:16]}.jsonl")
    except BaseException:
        with suppress(OSError):
            part.unlink()
        raise
    return digest


def _link(original: Path, target: Path) -> None:
    """Give the original a second name; on disks without that, copy it."""
    with suppress(FileExistsError):
        try:
            os.link(original, target)
        except OSError as error:
            if isinstance(error, FileExistsError | FileNotFoundError):
                raise
            write_durably(target, original.read_bytes())


def labelled(
    session: Session, here: Callable[[str], bool] = lambda _sha256: True
) -> tuple[list[LabelledPhoto], Counter[str]]:
    """Return the labelled photos of all decisions that stand, in the order of their hashes, and the counts
    of ``FrozenSet``. ``here``: whether the original of that SHA-256 can be learnt from."""
    counts: Counter[str] = Counter({TRAIN: 0, HELD_OUT: 0})
    photos, before, cleared = [], _couplers_before(session), _cleared(session)
    for photo, standing, verdict in _decided(session):
        why_not = _left_out(standing) or ("" if here(photo.sha256) else LOST)
        if why_not:
            counts[why_not] += 1
            continue
        judgement = judgement_from_json(verdict.judgement)
        labelled = _label(photo, standing, judgement, cleared=photo.id in cleared)
        if unfit := _unfit(labelled, before[photo.id]):
            counts[unfit] += 1
            continue
        photos.append(labelled)
        counts[UNLOCATED if labelled.split == TRAIN and not labelled.teaches else str(labelled.split)] += 1
        counts[_word(labelled)] += 1
    return sorted(photos, key=lambda p: p.file), counts


def _decided(session: Session) -> Iterator[tuple[PhotoRow, Standing, VerdictRow]]:
    """Yield every photo that a person decided on, with what stands and the verdict it was about."""
    query = (
        select(PhotoRow)
        .join(PhotoStateRow, PhotoStateRow.photo_id == PhotoRow.id)
        .where(PhotoStateRow.decision_id.is_not(None))
        .options(joinedload(PhotoRow.coupler).joinedload(CouplerRow.unit).joinedload(UnitRow.site))
        .order_by(PhotoRow.id)
    )
    rows: dict[int, list[DecisionRow]] = defaultdict(list)
    for row in session.scalars(select(DecisionRow)):
        rows[row.photo_id].append(row)
    decided_on = select(VerdictRow).where(VerdictRow.id.in_(select(DecisionRow.verdict_id)))
    verdicts = {verdict.id: verdict for verdict in session.scalars(decided_on)}
    for photo in session.scalars(query):
        standing = fold(decision_records(rows[photo.id]))
        if standing.decision is not None:
            yield photo, standing, verdicts[standing.decision.verdict_id]


def _cleared(session: Session) -> set[int]:
    """Return the decided photos that any version called clear, before a person looked or since."""
    decided = select(PhotoStateRow.photo_id).where(PhotoStateRow.decision_id.is_not(None))
    clear = select(VerdictRow.photo_id).where(VerdictRow.triage == Triage.CLEAR)
    return set(session.scalars(clear.where(VerdictRow.photo_id.in_(decided))))


def _unfit(photo: LabelledPhoto, before: list[str]) -> str:
    """Say why a photo that was filed under the couplers ``before`` is left out; nothing where it is not."""
    if photo.split == HELD_OUT and not all(map(is_held_out, before)):
        return "left out: learnt from as another coupler"
    # A photo that was moved, or a confirmed verdict on what the model took for another family.
    places = FAMILIES[photo.family].places if photo.family else ()
    if places and any(finding.place not in places for finding in photo.findings):
        return "left out: damage where this coupler has no such place"
    return ""


def _couplers_before(session: Session) -> dict[int, list[str]]:
    """Return photo number -> names of the couplers that it was filed under before."""
    names: dict[int, list[str]] = defaultdict(list)
    moved = select(EventRow.photo_id, CouplerRow).join(CouplerRow, CouplerRow.id == EventRow.coupler_id)
    for photo_id, coupler in session.execute(moved):
        if photo_id is not None:
            names[photo_id].append(coupler_name(coupler))
    return names


def _left_out(standing: Standing) -> str:
    if standing.conflict:
        return "left out: people differ"
    if standing.second_opinion:
        return "left out: second opinion awaited"
    unknown = standing.decision is None or standing.decision.kind is DecisionKind.CANNOT_TELL
    return "left out: cannot tell" if unknown else ""


def _label(photo: PhotoRow, standing: Standing, verdict: Judgement, *, cleared: bool) -> LabelledPhoto:
    decision = standing.decision
    assert decision is not None
    coupler = coupler_name(photo.coupler)
    face = verdict.face
    reason = None if decision.judged else verdict.reason
    shown = decision.judged or (face is not None and reason is not Reason.NO_FACE)
    family = photo.coupler.family if shown else None
    if face is not None and family is not None and face.family != family:
        face = None  # its millimetres are not this coupler's
    return LabelledPhoto(
        file=f"photos/{photo.sha256}",
        coupler=coupler,
        family=family,
        findings=tuple(LabelledFinding(f.kind, f.place) for f in decision.findings),
        reason=reason,
        homography=face.homography if face is not None else None,
        places={place: 1.0 if seen else 0.0 for place, seen in sorted(face.visible.items())} if face else {},
        split=HELD_OUT if is_held_out(coupler) else TRAIN,
        source="confirmed",
        attributes={
            "confirmed_by": sorted({voice.decided_by for voice in standing.voices}),
            "decision": decision.kind.value,
            "judged_by": verdict.model_version,
            "missed_as_clear": cleared and bool(decision.findings),
            "part_number": photo.coupler.part_number,
            "site": photo.coupler.unit.site.key,
            "unit": photo.coupler.unit.key,
        },
    )


def coupler_name(coupler: CouplerRow) -> str:
    """Return the name that tells this physical coupler from all others, for ever."""
    return f"{coupler.unit.site.key}/{coupler.unit.key}/{coupler.position}/{coupler.number}"


def is_held_out(coupler: str) -> bool:
    """Whether photos of the coupler of that name are kept out of every training."""
    return share_of(coupler, "held out") < HELD_OUT_SHARE


def _word(photo: LabelledPhoto) -> str:
    if photo.reason is not None:
        return f"cannot judge: {photo.reason.value}"
    return label_of(photo.findings).value


def label_of(findings: Iterable[LabelledFinding]) -> Label:
    """Return the one-word summary of labelled findings."""
    return summary_label({finding.kind for finding in findings})


def rendered(path: str) -> Path | None:
    """Return the manifest of rendered photos that a setting names; by default those kept here."""
    if path:
        return Path(path)
    return KEPT if KEPT.is_file() else None


def unlearnt(path: str) -> Path | None:
    """Return the manifest of photos that nothing is learnt from; by default those kept here."""
    if path:
        return Path(path)
    return UNLEARNT if UNLEARNT.is_file() else None
