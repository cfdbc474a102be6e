"""The tables of the log, in types that SQLite and PostgreSQL both have.

Times are stored in UTC; where a person or a camera gave a time with an offset, the offset stands beside it in
minutes, so that the time reads back as it was given. Inspections, reviews and dispositions are only ever
added: the latest row counts.
"""

from datetime import UTC, datetime, timedelta, timezone
from functools import cache
from typing import Any

from sqlalchemy import (
    JSON,
    CheckConstraint,
    DateTime,
    Dialect,
    ForeignKey,
    Index,
    LargeBinary,
    MetaData,
    SmallInteger,
    String,
    Text,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

__all__ = [
    "AdmixtureRow",
    "Base",
    "DefectNoteRow",
    "DispositionRow",
    "FeatureRow",
    "FindingRow",
    "InspectionRow",
    "MixRow",
    "MoldRow",
    "NotedDefectRow",
    "PhotoRow",
    "PieceNoteRow",
    "PieceRow",
    "PourMoldRow",
    "PourRow",
    "ReferenceRow",
    "ReviewRow",
    "UtcDateTime",
    "ViewRow",
    "offset_minutes",
    "with_offset",
]


class UtcDateTime(TypeDecorator[datetime]):
    """A time with an offset, stored in UTC and read back in UTC."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """Convert to UTC on the way in."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise TypeError(f"{value!r} has no offset; times are given one before they reach the log.")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """Name UTC on the way out, where the database does not keep offsets."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def offset_minutes(at: datetime | None) -> int | None:
    """Offset from UTC of a time, to be stored beside it. [min]"""
    if at is None:
        return None
    offset = at.utcoffset()
    return None if offset is None else round(offset.total_seconds() / 60)


def with_offset(at: datetime, minutes: int | None) -> datetime:
    """Give a stored UTC time at the offset it was given with."""
    return at.astimezone(_zone(minutes or 0))


@cache
def _zone(minutes: int) -> timezone:
    """One object for each offset: times of the same one are put in order five times as fast."""
    return timezone(timedelta(minutes=minutes))


class Base(DeclarativeBase):
    """What all tables share: names of constraints that do not depend on the database."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {datetime: UtcDateTime, str: String}  # noqa: RUF012  # as SQLAlchemy has it


class MoldRow(Base):
    """One reusable form."""

    __tablename__ = "mold"
    __table_args__ = (UniqueConstraint("name", "site_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    name: Mapped[str]
    title: Mapped[str]
    material: Mapped[str]
    release_agent: Mapped[str]
    created_at: Mapped[datetime]
    design_id: Mapped[int | None] = mapped_column(ForeignKey("design.id"), index=True)

    views: Mapped[list["ViewRow"]] = relationship(back_populates="mold", order_by="ViewRow.id")


class ViewRow(Base):
    """One camera side of a mold's pieces."""

    __tablename__ = "view"
    __table_args__ = (UniqueConstraint("mold_id", "name"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    mold_id: Mapped[int] = mapped_column(ForeignKey("mold.id"))
    name: Mapped[str]

    mold: Mapped[MoldRow] = relationship(back_populates="views")
    references: Mapped[list["ReferenceRow"]] = relationship(back_populates="view", order_by="ReferenceRow.id")
    features: Mapped[list["FeatureRow"]] = relationship(back_populates="view", order_by="FeatureRow.id")


class ReferenceRow(Base):
    """A photo of a good piece; used from the moment that a person has said yes to its outline."""

    __tablename__ = "reference"
    __table_args__ = (UniqueConstraint("view_id", "photo_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    view_id: Mapped[int] = mapped_column(ForeignKey("view.id"))
    photo_id: Mapped[int] = mapped_column(ForeignKey("photo.id"), index=True)
    name: Mapped[str]
    outline_xy: Mapped[list[Any]] = mapped_column(JSON)
    px_per_mm: Mapped[float | None]
    confirmed_at: Mapped[datetime | None]
    created_at: Mapped[datetime]

    view: Mapped[ViewRow] = relationship(back_populates="references")
    photo: Mapped["PhotoRow"] = relationship()
    features: Mapped[list["FeatureRow"]] = relationship(
        back_populates="reference", order_by="FeatureRow.id", cascade="all, delete-orphan"
    )


class FeatureRow(Base):
    """A named polygon of a view, in pixels of one of its reference photos."""

    __tablename__ = "feature"
    __table_args__ = (UniqueConstraint("view_id", "name"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    view_id: Mapped[int] = mapped_column(ForeignKey("view.id"))
    reference_id: Mapped[int] = mapped_column(ForeignKey("reference.id"), index=True)
    name: Mapped[str]
    polygon_xy: Mapped[list[Any]] = mapped_column(JSON)

    view: Mapped[ViewRow] = relationship(back_populates="features")
    reference: Mapped[ReferenceRow] = relationship(back_populates="features")


class MixRow(Base):
    """A recipe."""

    __tablename__ = "mix"
    __table_args__ = (
        CheckConstraint("cement_class IN ('S', 'N', 'R')", name="cement_class"),
        UniqueConstraint("name", "site_id"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    name: Mapped[str]
    cement_class: Mapped[str]
    water_cement_ratio: Mapped[float]
    aggregate: Mapped[str] = mapped_column(Text)
    fibres: Mapped[str] = mapped_column(Text)
    created_at: Mapped[datetime]

    admixtures: Mapped[list["AdmixtureRow"]] = relationship(order_by="AdmixtureRow.id")


class AdmixtureRow(Base):
    """Something added to a mix, dosed in percent of the cement's mass."""

    __tablename__ = "admixture"
    __table_args__ = (UniqueConstraint("mix_id", "name"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    mix_id: Mapped[int] = mapped_column(ForeignKey("mix.id"))
    name: Mapped[str]
    dose_percent: Mapped[float]


class PourRow(Base):
    """One batch of a mix, placed at one time into one or more molds."""

    __tablename__ = "pour"

    id: Mapped[int] = mapped_column(primary_key=True)
    mix_id: Mapped[int | None] = mapped_column(ForeignKey("mix.id"), index=True)
    poured_at: Mapped[datetime] = mapped_column(index=True)
    poured_offset_min: Mapped[int] = mapped_column(SmallInteger)
    cure_notes: Mapped[str] = mapped_column(Text)
    created_at: Mapped[datetime]

    mix: Mapped[MixRow | None] = relationship()
    molds: Mapped[list[MoldRow]] = relationship(secondary="pour_mold", order_by=MoldRow.name)


class PourMoldRow(Base):
    """Which molds a pour was placed into."""

    __tablename__ = "pour_mold"

    pour_id: Mapped[int] = mapped_column(ForeignKey("pour.id"), primary_key=True)
    mold_id: Mapped[int] = mapped_column(ForeignKey("mold.id"), primary_key=True, index=True)


class PieceRow(Base):
    """One casting."""

    __tablename__ = "piece"
    # Whether a mold still holds a pour is asked by both: by its mold alone SQLite would look at all its pieces.
    __table_args__ = (Index(None, "pour_id", "mold_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    mold_id: Mapped[int] = mapped_column(ForeignKey("mold.id"), index=True)
    pour_id: Mapped[int | None] = mapped_column(ForeignKey("pour.id"))
    demolded_at: Mapped[datetime | None] = mapped_column(index=True)
    demolded_offset_min: Mapped[int | None] = mapped_column(SmallInteger)
    created_at: Mapped[datetime]

    mold: Mapped[MoldRow] = relationship()
    pour: Mapped[PourRow | None] = relationship()
    photos: Mapped[list["PhotoRow"]] = relationship(back_populates="piece", order_by="PhotoRow.id")


class PhotoRow(Base):
    """A photo, whose file lies beside the database under its content hash."""

    __tablename__ = "photo"
    __table_args__ = (UniqueConstraint("sha256", "site_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    sha256: Mapped[bytes] = mapped_column(LargeBinary(32))
    name: Mapped[str]
    media_type: Mapped[str]
    byte_count: Mapped[int]
    width_px: Mapped[int]
    height_px: Mapped[int]
    taken_at: Mapped[datetime | None]
    taken_offset_min: Mapped[int | None] = mapped_column(SmallInteger)
    piece_id: Mapped[int | None] = mapped_column(ForeignKey("piece.id"), index=True)
    view_id: Mapped[int | None] = mapped_column(ForeignKey("view.id"))
    created_at: Mapped[datetime]

    piece: Mapped[PieceRow | None] = relationship(back_populates="photos")
    view: Mapped[ViewRow | None] = relationship()


class InspectionRow(Base):
    """What one version of the engine said about one photo; never edited, a new version adds a row."""

    __tablename__ = "inspection"
    __table_args__ = (
        CheckConstraint("status IN ('inspected', 'unusable')", name="status"),
        Index(None, "photo_id", "id"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photo.id"))
    engine_version: Mapped[str]
    status: Mapped[str]
    reason: Mapped[str | None] = mapped_column(Text)
    score: Mapped[float | None]
    px_per_mm: Mapped[float | None]
    reference_name: Mapped[str | None]
    seconds: Mapped[float]
    warnings: Mapped[list[Any]] = mapped_column(JSON)
    photo_from_reference: Mapped[list[Any] | None] = mapped_column(JSON(none_as_null=True))
    not_counted: Mapped[list[Any] | None] = mapped_column(JSON(none_as_null=True))
    """Marks that would be findings, had nobody dismissed others at their places."""
    compared_with: Mapped[str | None]
    """Code of the references that the photo was compared with; None where an older program inspected it."""
    created_at: Mapped[datetime]

    photo: Mapped[PhotoRow] = relationship()
    findings: Mapped[list["FindingRow"]] = relationship(back_populates="inspection", order_by="FindingRow.id")


class FindingRow(Base):
    """One flagged place on one photo."""

    __tablename__ = "finding"

    id: Mapped[int] = mapped_column(primary_key=True)
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"), index=True)
    kind: Mapped[str]
    polygon_xy: Mapped[list[Any]] = mapped_column(JSON)
    confidence: Mapped[float]
    area_mm2: Mapped[float | None]
    length_mm: Mapped[float | None]
    width_mm: Mapped[float | None]
    depth_mm: Mapped[float | None]
    feature_name: Mapped[str | None]
    drawn_by: Mapped[str | None]
    """Who outlined it by hand, while that inspection was the latest; it outlasts the inspection."""
    confidence_alone: Mapped[float | None]
    """Before what reviews said about its place; None where they changed nothing."""
    dismissed_on: Mapped[int | None]
    """On how many pieces marks at its place had been dismissed."""
    seen_as: Mapped[str | None]
    """What of the photo spoke for it; None where a person outlined it or an older program found it."""
    on_references: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    """Its outline in pixels of each reference that it was compared with, by the reference's name."""

    inspection: Mapped[InspectionRow] = relationship(back_populates="findings")
    reviews: Mapped[list["ReviewRow"]] = relationship(back_populates="finding", order_by="ReviewRow.id")


class ReviewRow(Base):
    """A person's word on a finding, with all that the finding is held to be from then on; the latest counts."""

    __tablename__ = "review"
    __table_args__ = (
        CheckConstraint("verdict IN ('confirmed', 'dismissed', 'kind changed', 'outline corrected')", name="verdict"),
        CheckConstraint("verdict <> 'kind changed' OR new_kind IS NOT NULL", name="new_kind"),
        Index(None, "finding_id", "id"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    finding_id: Mapped[int] = mapped_column(ForeignKey("finding.id"))
    verdict: Mapped[str | None]
    """None where the only word on it was taken back."""
    new_kind: Mapped[str | None]
    outline_xy: Mapped[list[Any] | None] = mapped_column(JSON(none_as_null=True))
    """The outline as a person drew it, None where it is as found; the sizes go with it."""
    area_mm2: Mapped[float | None]
    length_mm: Mapped[float | None]
    width_mm: Mapped[float | None]
    undoes_id: Mapped[int | None] = mapped_column(ForeignKey("review.id"))
    """The word that this one takes back."""
    reviewer: Mapped[str]
    created_at: Mapped[datetime]

    finding: Mapped[FindingRow] = relationship(back_populates="reviews")


class DispositionRow(Base):
    """What became of a piece; appended, the latest counts."""

    __tablename__ = "disposition"
    __table_args__ = (
        CheckConstraint("outcome IN ('sell', 'second', 'repair', 'scrap')", name="outcome"),
        Index(None, "piece_id", "id"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"))
    outcome: Mapped[str | None]
    """None where the only word was taken back: the piece waits again."""
    decided_by: Mapped[str]
    note: Mapped[str] = mapped_column(Text)
    undoes_id: Mapped[int | None] = mapped_column(ForeignKey("disposition.id"))
    created_at: Mapped[datetime]


class PieceNoteRow(Base):
    """What a person wants remembered about a piece; one that is taken back stays, with a row that says so."""

    __tablename__ = "piece_note"
    __table_args__ = (Index(None, "piece_id", "id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"))
    text: Mapped[str] = mapped_column(Text)
    written_by: Mapped[str]
    undoes_id: Mapped[int | None] = mapped_column(ForeignKey("piece_note.id"))
    created_at: Mapped[datetime]


class DefectNoteRow(Base):
    """What a person wrote down about a piece without a photo, as in a spreadsheet; the latest note counts."""

    __tablename__ = "defect_note"
    __table_args__ = (Index(None, "piece_id", "id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    piece_id: Mapped[int] = mapped_column(ForeignKey("piece.id"))
    source: Mapped[str]
    line: Mapped[int]
    fingerprint: Mapped[bytes] = mapped_column(LargeBinary(32), index=True)
    created_at: Mapped[datetime]

    defects: Mapped[list["NotedDefectRow"]] = relationship(order_by="NotedDefectRow.id")


class NotedDefectRow(Base):
    """One defect in a note; a note without any is of a good piece."""

    __tablename__ = "noted_defect"

    id: Mapped[int] = mapped_column(primary_key=True)
    note_id: Mapped[int] = mapped_column(ForeignKey("defect_note.id"), index=True)
    kind: Mapped[str]
    feature_name: Mapped[str | None]
