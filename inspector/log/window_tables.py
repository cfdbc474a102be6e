"""The tables of demold windows: what a mold's window is to meet, and each change of it. Rows are only ever added."""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Index
from sqlalchemy.orm import Mapped, mapped_column, relationship

from inspector.log.tables import Base, MixRow, MoldRow

__all__ = ["MoldSettingRow", "WindowChangeRow"]


class MoldSettingRow(Base):
    """What the window of a mold is to meet; the latest row counts, each holds all values."""

    __tablename__ = "mold_setting"
    __table_args__ = (
        CheckConstraint("target_loss > 0 AND target_loss < 1", name="target_loss"),
        Index(None, "mold_id", "id"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    mold_id: Mapped[int] = mapped_column(ForeignKey("mold.id"))
    target_loss: Mapped[float]
    piece_cost: Mapped[float | None]
    mold_hour_cost: Mapped[float | None]
    turnaround_h: Mapped[float | None]
    created_at: Mapped[datetime]


class WindowChangeRow(Base):
    """A window of a mold from a time on, with the evidence that caused it; the latest row counts."""

    __tablename__ = "window_change"
    __table_args__ = (Index(None, "mold_id", "id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    mold_id: Mapped[int] = mapped_column(ForeignKey("mold.id"))
    mix_id: Mapped[int | None] = mapped_column(ForeignKey("mix.id"))
    temperature_degc: Mapped[float]
    earliest_h: Mapped[float | None]
    latest_h: Mapped[float | None]
    cheapest_h: Mapped[float | None]
    earliest_fraction: Mapped[float | None]
    latest_fraction: Mapped[float | None]
    cheapest_fraction: Mapped[float | None]
    enough_evidence: Mapped[bool]
    evidence: Mapped[dict[str, Any]] = mapped_column(JSON)
    created_at: Mapped[datetime]

    mold: Mapped[MoldRow] = relationship()
    mix: Mapped[MixRow | None] = relationship()
