"""The tables. Portable SQL only: SQLite and PostgreSQL hold the same schema.

Photos, verdicts, decisions, events, observations and model events are append-only (``append_only``).
``photo_states`` is derived from them, one row a photo; ``rounds verify --repair`` makes it anew."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import ForeignKey, Index, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from data_tools.database.base import Base
from data_tools.database.job_table import JobRow as JobRow
from data_tools.database.types import Folds, words
from data_tools.records import (
    DecisionKind,
    EventKind,
    ModelEventKind,
    ObservationKind,
    UnitStatus,
    WaitingEventKind,
)
from data_tools.standing import Stand
from model.vocabulary import Outcome, Reason, Triage


class SiteRow(Folds, Base):
    """A place with charging units."""

    __tablename__ = "sites"
    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(unique=True)
    name: Mapped[str]
    timezone: Mapped[str]
    added_at: Mapped[datetime]
    added_by: Mapped[str]
    closed_at: Mapped[datetime | None]
    folded: Mapped[str | None] = mapped_column(index=True, unique=True)


class UnitRow(Folds, Base):
    """A charging unit. ``status`` follows from its last condition event and is kept in step with it."""

    __tablename__ = "units"
    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("sites.id"), index=True)
    key: Mapped[str] = mapped_column(unique=True)
    name: Mapped[str]
    status: Mapped[UnitStatus] = mapped_column(words(UnitStatus, "status"))
    added_at: Mapped[datetime]
    added_by: Mapped[str]
    folded: Mapped[str | None] = mapped_column(index=True, unique=True)
    site: Mapped[SiteRow] = relationship()
    couplers: Mapped[list[CouplerRow]] = relationship(back_populates="unit", order_by="CouplerRow.id")


class CouplerRow(Base):
    """One handheld coupler from installation to removal; ``number`` counts from 1 on its unit's position.

    Photos seen before ``put_on_at`` belong to the coupler before it (where there is one).
    """

    __tablename__ = "couplers"
    id: Mapped[int] = mapped_column(primary_key=True)
    unit_id: Mapped[int] = mapped_column(ForeignKey("units.id"))
    position: Mapped[str] = mapped_column(String(40))
    number: Mapped[int]
    family: Mapped[str] = mapped_column(String(40))
    part_number: Mapped[str]
    installed_on: Mapped[date]
    removed_on: Mapped[date | None]
    put_on_at: Mapped[datetime]
    unit: Mapped[UnitRow] = relationship(back_populates="couplers")
    __table_args__ = (UniqueConstraint("unit_id", "position", "number"),)


class RoundRow(Base):
    """One site's round of one ISO week (of the site's local date)."""

    __tablename__ = "rounds"
    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("sites.id"))
    iso_year: Mapped[int]
    iso_week: Mapped[int]
    opened_at: Mapped[datetime]
    opened_by: Mapped[str]
    __table_args__ = (UniqueConstraint("site_id", "iso_year", "iso_week"),)


class PhotoRow(Base):
    """A kept photo; its original lies under ``sha256``. Coupler and round follow its last re-filing event."""

    __tablename__ = "photos"
    id: Mapped[int] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(String(64), unique=True)
    file_name: Mapped[str]
    coupler_id: Mapped[int] = mapped_column(ForeignKey("couplers.id"))
    round_id: Mapped[int] = mapped_column(ForeignKey("rounds.id"), index=True)
    taken_at: Mapped[datetime | None]
    received_at: Mapped[datetime]
    seen_at: Mapped[datetime] = mapped_column(index=True)
    received_by: Mapped[str]
    width: Mapped[int]
    height: Mapped[int]
    camera: Mapped[str]
    blind_audit: Mapped[bool]
    coupler: Mapped[CouplerRow] = relationship()
    round: Mapped[RoundRow] = relationship()
    __table_args__ = (Index(None, "coupler_id", "seen_at"),)


class WaitingRow(Base):
    """A readable photo without a unit. Settled when it becomes a photo, or when a photo of it arrives.
    ``offered``: unit key and position of each coupler that it may show, the likeliest first."""

    __tablename__ = "waiting_files"
    id: Mapped[int] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(String(64), unique=True)
    file_name: Mapped[str]
    site_id: Mapped[int | None] = mapped_column(ForeignKey("sites.id"))
    received_at: Mapped[datetime]
    received_by: Mapped[str]
    why: Mapped[str] = mapped_column(Text)
    settled_at: Mapped[datetime | None] = mapped_column(index=True)
    settled_by: Mapped[str | None]
    photo_id: Mapped[int | None] = mapped_column(ForeignKey("photos.id"))
    offered: Mapped[list[Any] | None]


class WaitingEventRow(Base):
    """Somebody set a waiting photo aside, or brought it back; the last one counts."""

    __tablename__ = "waiting_events"
    id: Mapped[int] = mapped_column(primary_key=True)
    waiting_id: Mapped[int] = mapped_column(ForeignKey("waiting_files.id"), index=True)
    kind: Mapped[WaitingEventKind] = mapped_column(words(WaitingEventKind, "kind"))
    reason: Mapped[str] = mapped_column(Text)
    done_by: Mapped[str]
    done_at: Mapped[datetime]


class RejectedRow(Base):
    """A file that is not a readable photo; its bytes lie in the rejected area under ``sha256``."""

    __tablename__ = "rejected_files"
    id: Mapped[int] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(String(64), unique=True)
    file_name: Mapped[str]
    received_at: Mapped[datetime]
    received_by: Mapped[str]
    why: Mapped[str] = mapped_column(Text)


class VerdictRow(Base):
    """One judgement of one photo by one model version; ``judgement`` holds all of it."""

    __tablename__ = "verdicts"
    id: Mapped[int] = mapped_column(primary_key=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"), index=True)
    made_at: Mapped[datetime]
    model_version: Mapped[str] = mapped_column(index=True)
    outcome: Mapped[Outcome] = mapped_column(words(Outcome, "outcome"))
    reason: Mapped[Reason | None] = mapped_column(words(Reason, "reason"))
    triage: Mapped[Triage | None] = mapped_column(words(Triage, "triage"))
    p_missing_latch: Mapped[float | None]
    p_broken_pin_housing: Mapped[float | None]
    p_heat_melted_housing: Mapped[float | None]
    judgement: Mapped[dict[str, Any]]


class DecisionRow(Base):
    """What a person said of a photo, or took back."""

    __tablename__ = "decisions"
    id: Mapped[int] = mapped_column(primary_key=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"), index=True)
    verdict_id: Mapped[int] = mapped_column(ForeignKey("verdicts.id"))
    kind: Mapped[DecisionKind] = mapped_column(words(DecisionKind, "kind"))
    judged: Mapped[bool]
    findings: Mapped[list[Any]]
    decided_by: Mapped[str]
    decided_at: Mapped[datetime] = mapped_column(index=True)
    seconds: Mapped[float | None]
    comment: Mapped[str] = mapped_column(Text)
    evidence_shown: Mapped[bool]
    withdraws_id: Mapped[int | None] = mapped_column(ForeignKey("decisions.id"), unique=True)


class PhotoStateRow(Base):
    """Derived (``standing``): what stands for one photo now, folded from its verdicts and decisions."""

    __tablename__ = "photo_states"
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"), primary_key=True, autoincrement=False)
    verdict_id: Mapped[int] = mapped_column(ForeignKey("verdicts.id"))
    decision_id: Mapped[int | None] = mapped_column(ForeignKey("decisions.id"))
    stand: Mapped[Stand] = mapped_column(words(Stand, "stand"))
    queued: Mapped[bool]
    conflict: Mapped[bool]
    second_opinion: Mapped[bool]
    judged: Mapped[bool]
    reason: Mapped[Reason | None] = mapped_column(words(Reason, "reason"))
    triage: Mapped[Triage | None] = mapped_column(words(Triage, "triage"))
    missing_latch: Mapped[bool]
    broken_pin_housing: Mapped[bool]
    heat_melted_housing: Mapped[bool]
    findings: Mapped[list[Any]]
    before: Mapped[list[Any]]
    unseen: Mapped[list[Any]]
    __table_args__ = (Index(None, "queued", "photo_id"),)


class FoldingRow(Base):
    """By which rule ``photo_states`` were folded last (row 1): another one folds doubts again."""

    __tablename__ = "folding"
    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    rule: Mapped[str] = mapped_column(Text)


class EventRow(Base):
    """Something done to a unit, or a photo moved from ``coupler_id`` to ``new_coupler_id``."""

    __tablename__ = "condition_events"
    id: Mapped[int] = mapped_column(primary_key=True)
    unit_id: Mapped[int] = mapped_column(ForeignKey("units.id"), index=True)
    coupler_id: Mapped[int | None] = mapped_column(ForeignKey("couplers.id"))
    new_coupler_id: Mapped[int | None] = mapped_column(ForeignKey("couplers.id"))
    kind: Mapped[EventKind] = mapped_column(words(EventKind, "kind"))
    reason: Mapped[str] = mapped_column(Text)
    done_by: Mapped[str]
    done_at: Mapped[datetime]
    photo_id: Mapped[int | None] = mapped_column(ForeignKey("photos.id"), index=True)


class ObservationRow(Base):
    """Something seen or felt on a unit that a photo does not show."""

    __tablename__ = "observations"
    id: Mapped[int] = mapped_column(primary_key=True)
    unit_id: Mapped[int] = mapped_column(ForeignKey("units.id"), index=True)
    coupler_id: Mapped[int | None] = mapped_column(ForeignKey("couplers.id"))
    what: Mapped[ObservationKind] = mapped_column(words(ObservationKind, "what"))
    blinks: Mapped[int | None]
    note: Mapped[str] = mapped_column(Text)
    done_by: Mapped[str]
    done_at: Mapped[datetime]


class SettlementRow(Base):
    """How an observation was settled: a person looked at it and put it right, or found nothing."""

    __tablename__ = "settlements"
    observation_id: Mapped[int] = mapped_column(
        ForeignKey("observations.id"), primary_key=True, autoincrement=False
    )
    how: Mapped[str] = mapped_column(Text)
    done_by: Mapped[str]
    done_at: Mapped[datetime]


class ModelVersionRow(Base):
    """A registered model artefact; ``path`` is relative to the workspace, ``digest`` covers its files."""

    __tablename__ = "model_versions"
    id: Mapped[int] = mapped_column(primary_key=True)
    version: Mapped[str] = mapped_column(unique=True)
    path: Mapped[str]
    digest: Mapped[str] = mapped_column(String(64))
    note: Mapped[str] = mapped_column(Text)
    metrics: Mapped[dict[str, Any]]
    training_set: Mapped[str] = mapped_column(String(64))
    registered_at: Mapped[datetime]
    registered_by: Mapped[str]


class ModelEventRow(Base):
    """What became of a model version; a null version is the one shipped with the product."""

    __tablename__ = "model_events"
    id: Mapped[int] = mapped_column(primary_key=True)
    version_id: Mapped[int | None] = mapped_column(ForeignKey("model_versions.id"))
    kind: Mapped[ModelEventKind] = mapped_column(words(ModelEventKind, "kind"))
    why: Mapped[str] = mapped_column(Text)
    done_by: Mapped[str]
    done_at: Mapped[datetime]


class LiveModelRow(Base):
    """The one pointer to the live version (row 1); null: the one shipped with the product."""

    __tablename__ = "live_model"
    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    version_id: Mapped[int | None] = mapped_column(ForeignKey("model_versions.id"))
    moved_at: Mapped[datetime]
