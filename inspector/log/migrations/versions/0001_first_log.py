"""The log as it began: molds and references, mixes and pours, pieces with photos, findings and reviews."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "mix",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("cement_class", sa.String(), nullable=False),
        sa.Column("water_cement_ratio", sa.Double(), nullable=False),
        sa.Column("aggregate", sa.Text(), nullable=False),
        sa.Column("fibres", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("cement_class IN ('S', 'N', 'R')", name=op.f("ck_mix_cement_class")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_mix")),
        sa.UniqueConstraint("name", name=op.f("uq_mix_name")),
    )
    op.create_table(
        "mold",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("title", sa.String(), nullable=False),
        sa.Column("material", sa.String(), nullable=False),
        sa.Column("release_agent", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_mold")),
        sa.UniqueConstraint("name", name=op.f("uq_mold_name")),
    )
    op.create_table(
        "admixture",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("mix_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("dose_percent", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(["mix_id"], ["mix.id"], name=op.f("fk_admixture_mix_id_mix")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_admixture")),
        sa.UniqueConstraint("mix_id", "name", name=op.f("uq_admixture_mix_id_name")),
    )
    op.create_table(
        "pour",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("mix_id", sa.Integer(), nullable=True),
        sa.Column("poured_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("poured_offset_min", sa.SmallInteger(), nullable=False),
        sa.Column("cure_notes", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["mix_id"], ["mix.id"], name=op.f("fk_pour_mix_id_mix")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pour")),
    )
    op.create_index(op.f("ix_pour_mix_id"), "pour", ["mix_id"], unique=False)
    op.create_index(op.f("ix_pour_poured_at"), "pour", ["poured_at"], unique=False)
    op.create_table(
        "view",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("mold_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["mold_id"], ["mold.id"], name=op.f("fk_view_mold_id_mold")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_view")),
        sa.UniqueConstraint("mold_id", "name", name=op.f("uq_view_mold_id_name")),
    )
    op.create_table(
        "piece",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("mold_id", sa.Integer(), nullable=False),
        sa.Column("pour_id", sa.Integer(), nullable=True),
        sa.Column("demolded_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("demolded_offset_min", sa.SmallInteger(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["mold_id"], ["mold.id"], name=op.f("fk_piece_mold_id_mold")),
        sa.ForeignKeyConstraint(["pour_id"], ["pour.id"], name=op.f("fk_piece_pour_id_pour")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_piece")),
    )
    op.create_index(op.f("ix_piece_demolded_at"), "piece", ["demolded_at"], unique=False)
    op.create_index(op.f("ix_piece_mold_id"), "piece", ["mold_id"], unique=False)
    op.create_index(op.f("ix_piece_pour_id"), "piece", ["pour_id"], unique=False)
    op.create_table(
        "pour_mold",
        sa.Column("pour_id", sa.Integer(), nullable=False),
        sa.Column("mold_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["mold_id"], ["mold.id"], name=op.f("fk_pour_mold_mold_id_mold")),
        sa.ForeignKeyConstraint(["pour_id"], ["pour.id"], name=op.f("fk_pour_mold_pour_id_pour")),
        sa.PrimaryKeyConstraint("pour_id", "mold_id", name=op.f("pk_pour_mold")),
    )
    op.create_index(op.f("ix_pour_mold_mold_id"), "pour_mold", ["mold_id"], unique=False)
    op.create_table(
        "disposition",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=False),
        sa.Column("decided_by", sa.String(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("outcome IN ('sell', 'second', 'repair', 'scrap')", name=op.f("ck_disposition_outcome")),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_disposition_piece_id_piece")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_disposition")),
    )
    op.create_index(op.f("ix_disposition_piece_id_id"), "disposition", ["piece_id", "id"], unique=False)
    op.create_table(
        "photo",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.LargeBinary(length=32), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("media_type", sa.String(), nullable=False),
        sa.Column("byte_count", sa.Integer(), nullable=False),
        sa.Column("width_px", sa.Integer(), nullable=False),
        sa.Column("height_px", sa.Integer(), nullable=False),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("taken_offset_min", sa.SmallInteger(), nullable=True),
        sa.Column("piece_id", sa.Integer(), nullable=True),
        sa.Column("view_id", sa.Integer(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_photo_piece_id_piece")),
        sa.ForeignKeyConstraint(["view_id"], ["view.id"], name=op.f("fk_photo_view_id_view")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photo")),
        sa.UniqueConstraint("sha256", name=op.f("uq_photo_sha256")),
    )
    op.create_index(op.f("ix_photo_piece_id"), "photo", ["piece_id"], unique=False)
    op.create_table(
        "inspection",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("engine_version", sa.String(), nullable=False),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("score", sa.Double(), nullable=True),
        sa.Column("px_per_mm", sa.Double(), nullable=True),
        sa.Column("reference_name", sa.String(), nullable=True),
        sa.Column("seconds", sa.Double(), nullable=False),
        sa.Column("warnings", sa.JSON(), nullable=False),
        sa.Column("photo_from_reference", sa.JSON(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("status IN ('inspected', 'unusable')", name=op.f("ck_inspection_status")),
        sa.ForeignKeyConstraint(["photo_id"], ["photo.id"], name=op.f("fk_inspection_photo_id_photo")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inspection")),
    )
    op.create_index(op.f("ix_inspection_photo_id_id"), "inspection", ["photo_id", "id"], unique=False)
    op.create_table(
        "reference",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("view_id", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("outline_xy", sa.JSON(), nullable=False),
        sa.Column("px_per_mm", sa.Double(), nullable=True),
        sa.Column("confirmed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["photo_id"], ["photo.id"], name=op.f("fk_reference_photo_id_photo")),
        sa.ForeignKeyConstraint(["view_id"], ["view.id"], name=op.f("fk_reference_view_id_view")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reference")),
        sa.UniqueConstraint("view_id", "photo_id", name=op.f("uq_reference_view_id_photo_id")),
    )
    op.create_index(op.f("ix_reference_photo_id"), "reference", ["photo_id"], unique=False)
    op.create_table(
        "feature",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("view_id", sa.Integer(), nullable=False),
        sa.Column("reference_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("polygon_xy", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["reference_id"], ["reference.id"], name=op.f("fk_feature_reference_id_reference")),
        sa.ForeignKeyConstraint(["view_id"], ["view.id"], name=op.f("fk_feature_view_id_view")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_feature")),
        sa.UniqueConstraint("view_id", "name", name=op.f("uq_feature_view_id_name")),
    )
    op.create_index(op.f("ix_feature_reference_id"), "feature", ["reference_id"], unique=False)
    op.create_table(
        "finding",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("polygon_xy", sa.JSON(), nullable=False),
        sa.Column("confidence", sa.Double(), nullable=False),
        sa.Column("area_mm2", sa.Double(), nullable=True),
        sa.Column("length_mm", sa.Double(), nullable=True),
        sa.Column("width_mm", sa.Double(), nullable=True),
        sa.Column("depth_mm", sa.Double(), nullable=True),
        sa.Column("feature_name", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["inspection_id"], ["inspection.id"], name=op.f("fk_finding_inspection_id_inspection")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding")),
    )
    op.create_index(op.f("ix_finding_inspection_id"), "finding", ["inspection_id"], unique=False)
    op.create_table(
        "review",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("finding_id", sa.Integer(), nullable=False),
        sa.Column("verdict", sa.String(), nullable=False),
        sa.Column("new_kind", sa.String(), nullable=True),
        sa.Column("reviewer", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("(verdict = 'kind changed') = (new_kind IS NOT NULL)", name=op.f("ck_review_new_kind")),
        sa.CheckConstraint("verdict IN ('confirmed', 'dismissed', 'kind changed')", name=op.f("ck_review_verdict")),
        sa.ForeignKeyConstraint(["finding_id"], ["finding.id"], name=op.f("fk_review_finding_id_finding")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_review")),
    )
    op.create_index(op.f("ix_review_finding_id_id"), "review", ["finding_id", "id"], unique=False)
