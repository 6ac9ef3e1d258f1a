"""The table of long works."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import String, Text
from sqlalchemy.orm import Mapped, mapped_column

from data_tools.database.base import Base


class JobRow(Base):
    """A long work in another process (retraining), so that a screen can follow and stop it."""

    __tablename__ = "jobs"
    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str] = mapped_column(String(40))
    started_by: Mapped[str]
    started_at: Mapped[datetime]
    beat_at: Mapped[datetime]
    stage: Mapped[str]
    progress: Mapped[float]
    stop_asked: Mapped[bool]
    finished_at: Mapped[datetime | None]
    message: Mapped[str] = mapped_column(Text)
