"""What the verbs hand out: frozen records, never database rows. Times are aware datetimes in UTC."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum

from model.judgement import Judgement
from model.vocabulary import FindingKind, Place, Reason, Triage


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


class DecisionKind(StrEnum):
    """What a technician said of one photo."""

    CONFIRMED = "confirmed"
    CORRECTED = "corrected"
    CANNOT_TELL = "cannot_tell"
    SECOND_OPINION = "second_opinion_asked"
    WITHDRAWN = "withdrawn"


class IngestStatus(StrEnum):
    """What became of one file of an upload."""

    STORED = "stored"
    KNOWN = "already_here"
    REJECTED = "rejected"
    NEEDS_UNIT = "needs_unit"


@dataclass(frozen=True)
class Site:
    """A place with charging units; ``timezone`` is an IANA name for display."""

    id: int
    key: str
    name: str
    timezone: str


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
    """A charging unit with the couplers now on it."""

    id: int
    key: str
    site_key: str
    name: str
    status: UnitStatus
    couplers: tuple[Coupler, ...]


@dataclass(frozen=True)
class PhotoRecord:
    """A kept photo. ``sha256`` names the untouched original in the photo store."""

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
    """One append-only statement of a person about a photo."""

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


@dataclass(frozen=True)
class EventRecord:
    """Something done to a unit (or seen on it that a photo does not show)."""

    id: int
    unit_key: str
    coupler_id: int | None
    kind: EventKind
    reason: str
    done_by: str
    done_at: datetime


@dataclass(frozen=True)
class IngestedFile:
    """What became of one file: stored with a verdict, known already, rejected with a reason, or still
    without a unit (kept safely until somebody names it)."""

    file_name: str
    status: IngestStatus
    message: str
    photo: PhotoRecord | None = None
    verdict: VerdictRecord | None = None
    reason: Reason | None = None
    waiting_id: int | None = None


@dataclass(frozen=True)
class IngestReport:
    """The outcome of one upload, file by file, in the order given."""

    round_id: int | None
    files: tuple[IngestedFile, ...]


@dataclass(frozen=True)
class RosterLine:
    """One unit in this week's round of a site."""

    unit: Unit
    last_photo: PhotoRecord | None
    last_verdict: VerdictRecord | None
    done_this_week: bool


@dataclass(frozen=True)
class QueueItem:
    """One photo waiting for a technician, most costly to miss first."""

    photo: PhotoRecord
    verdict: VerdictRecord
    unit: Unit
    triage: Triage | None
    priority: float
    blind_audit: bool
    second_opinion: bool = False
    decisions: tuple[DecisionRecord, ...] = ()


@dataclass(frozen=True)
class TimelineEntry:
    """One dated thing in a unit's history; exactly one of the records is set."""

    at: datetime
    coupler_id: int | None
    photo: PhotoRecord | None = None
    verdict: VerdictRecord | None = None
    decision: DecisionRecord | None = None
    event: EventRecord | None = None


@dataclass(frozen=True)
class Timeline:
    """The whole history of one unit, oldest first."""

    unit: Unit
    couplers: tuple[Coupler, ...]
    entries: tuple[TimelineEntry, ...]


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
