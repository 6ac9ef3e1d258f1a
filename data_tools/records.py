"""What the verbs hand out: frozen records, never database rows. Times are aware, in UTC."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import TYPE_CHECKING

from model.judgement import Judgement
from model.vocabulary import FindingKind, Place, Reason, Triage

if TYPE_CHECKING:
    from data_tools.open_damage import OpenDamage
    from data_tools.standing import State


class UnitStatus(StrEnum):
    """Whether a unit may be used. Out of service stays so until somebody returns it."""

    IN_SERVICE = "in service"
    OUT_OF_SERVICE = "out of service"


class EventKind(StrEnum):
    """What people do to a unit."""

    OUT_OF_SERVICE = "out_of_service"
    REPLACED = "replaced"
    RETURNED = "returned_to_service"
    OBSERVED = "observed"
    REFILED = "photo_refiled"
    FAMILY_CORRECTED = "family_corrected"


class ObservationKind(StrEnum):
    """What staff see or feel on a coupler that a photo does not show."""

    RELEASE_BUTTON_STICKS = "release_button_sticks"
    CABLE_CUT_OR_FRAYED = "cable_cut_or_frayed"
    DEBRIS_IN_FACE = "debris_in_face"
    INDICATOR_FAULT = "indicator_shows_fault"
    OTHER = "other"


class WaitingEventKind(StrEnum):
    """What becomes of a photo that waits for its unit, other than that it gets one."""

    SET_ASIDE = "set_aside"
    BROUGHT_BACK = "brought_back"


class ModelEventKind(StrEnum):
    """What becomes of a model version."""

    REGISTERED = "registered"
    PROMOTED = "promoted"
    HELD = "held"
    WENT_BACK = "went_back"


class DecisionKind(StrEnum):
    """What a technician said of a photo."""

    CONFIRMED = "confirmed"
    CORRECTED = "corrected"
    CANNOT_TELL = "cannot_tell"
    SECOND_OPINION = "second_opinion_asked"
    WITHDRAWN = "withdrawn"


class IngestStatus(StrEnum):
    """What became of one file. All but ``NOT_RECEIVED`` (disk full, folder read-only: send again) is kept."""

    STORED = "stored"
    KNOWN = "already_here"
    REJECTED = "rejected"
    NEEDS_UNIT = "needs_unit"
    SET_ASIDE = "set_aside"
    NOT_RECEIVED = "not_received"


@dataclass(frozen=True)
class Site:
    """A place with charging units; ``timezone`` is an IANA name for display, ``alike`` as of a unit."""

    id: int
    key: str
    name: str
    timezone: str
    alike: str = ""


@dataclass(frozen=True)
class Coupler:
    """One handheld coupler from installation to removal; its number counts from 1 on its unit's position."""

    id: int
    unit_key: str
    position: str
    family: str
    part_number: str
    installed_on: date
    removed_on: date | None


@dataclass(frozen=True)
class Unit:
    """A charging unit with the couplers now on it. ``alike``: another one that an older store holds, whose
    key differs only in case, dash or the way to write an accent."""

    id: int
    key: str
    site_key: str
    name: str
    status: UnitStatus
    couplers: tuple[Coupler, ...]
    alike: str = ""


@dataclass(frozen=True)
class PhotoRecord:
    """A kept photo of a coupler of ``family``. ``sha256`` names the untouched original in the photo store.
    ``seen_at`` is when it counts: the capture time where that is believable, else when it was received."""

    id: int
    sha256: str
    file_name: str
    unit_key: str
    coupler_id: int
    site_key: str
    round_id: int
    taken_at: datetime | None
    received_at: datetime
    received_by: str
    width: int
    height: int
    position: str = "A"
    seen_at: datetime | None = None
    camera: str = ""
    family: str = "type1"


@dataclass(frozen=True)
class VerdictRecord:
    """One judgement of one photo by one model version."""

    id: int
    photo_id: int
    made_at: datetime
    model_version: str
    judgement: Judgement


@dataclass(frozen=True)
class TrueFinding:
    """A finding as a person states it."""

    kind: FindingKind
    place: Place


@dataclass(frozen=True)
class DecisionRecord:
    """One append-only statement about a photo. ``judged`` is false where the person could not tell or agreed
    that the photo cannot be judged: then, no findings does not mean intact. ``withdraws_id`` names what a
    withdrawal takes back; ``withdrawn``: a later one took this back."""

    id: int
    photo_id: int
    verdict_id: int
    kind: DecisionKind
    findings: tuple[TrueFinding, ...]
    decided_by: str
    decided_at: datetime
    seconds: float | None
    comment: str
    evidence_shown: bool
    judged: bool = True
    withdraws_id: int | None = None
    withdrawn: bool = False


@dataclass(frozen=True)
class Settlement:
    """How somebody settled an observation."""

    how: str
    done_by: str
    done_at: datetime


@dataclass(frozen=True)
class EventRecord:
    """Something done to a unit, or seen on it. Of a replacement, ``coupler_id`` is the one taken off and
    ``new_coupler_id`` the one put on; for ``photo_id``, the one it was filed under and the one it shows.
    ``what``, ``blinks`` and ``settled`` belong to observations."""

    id: int
    unit_key: str
    coupler_id: int | None
    kind: EventKind
    reason: str
    done_by: str
    done_at: datetime
    what: ObservationKind | None = None
    blinks: int | None = None
    new_coupler_id: int | None = None
    settled: Settlement | None = None
    photo_id: int | None = None


@dataclass(frozen=True)
class RejectedFile:
    """A file that is not a photo we can read, kept aside as it came."""

    id: int
    sha256: str
    file_name: str
    received_at: datetime
    received_by: str
    why: str


@dataclass(frozen=True)
class IngestedFile:
    """What became of one file; ``waiting_id`` where it is kept until somebody names its unit. ``state`` is
    what stands for the photo where more than this verdict may speak of it, ``on_coupler`` the damage that
    stands on its coupler, by whatever photo. The ``message`` of a photo of a unit is made of ``already`` (it
    was here before), what is said of its coupler, and ``note``, what else its sender has to know
    (``answers.worded``)."""

    file_name: str
    status: IngestStatus
    message: str
    photo: PhotoRecord | None = None
    verdict: VerdictRecord | None = None
    reason: Reason | None = None
    waiting_id: int | None = None
    state: State | None = None
    on_coupler: OpenDamage | None = None
    already: str = ""
    note: str = ""


@dataclass(frozen=True)
class IngestReport:
    """The outcome of one upload, file by file, in the order given."""

    round_id: int | None
    files: tuple[IngestedFile, ...]


@dataclass(frozen=True)
class RosterLine:
    """One unit in this week's round: done when each of its couplers has a photo of this week that could be
    judged. ``missing_positions`` still lack one; ``again``: there was a photo, but it did not do, and
    ``take_again`` says why, where the model knows. ``unsure``: couplers whose last photo of the week the
    model was unsure of; ``as_before`` of them are no more in doubt than when a technician ruled."""

    unit: Unit
    last_photo: PhotoRecord | None
    last_verdict: VerdictRecord | None
    done_this_week: bool
    missing_positions: tuple[str, ...] = ()
    take_again: Reason | None = None
    again: bool = False
    unsure: int = 0
    as_before: int = 0


@dataclass(frozen=True)
class QueueItem:
    """One photo waiting for a technician."""

    photo: PhotoRecord
    verdict: VerdictRecord
    unit: Unit
    triage: Triage | None
    priority: float
    blind_audit: bool
    second_opinion: bool = False
    decisions: tuple[DecisionRecord, ...] = ()
    conflict: bool = False


@dataclass(frozen=True)
class ModelVersion:
    """A registered model and how it came about; ``live`` is true for the one that judges new photos."""

    version: str
    registered_at: datetime
    path: str
    live: bool
    status: str
    note: str
    metrics: dict[str, float] = field(default_factory=dict)
