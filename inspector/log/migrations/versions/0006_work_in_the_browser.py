"""Photos that browsers send again, pours put right or withdrawn, references that are no longer used.

The keys of a sent photo tell a second try from a second photo, and which photos go together.
"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False


def upgrade() -> None:
    op.create_table(
        "sent_photo",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photo_key", sa.String(), nullable=False),
        sa.Column("piece_key", sa.String(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["photo_id"], ["photo.id"], name=op.f("fk_sent_photo_photo_id_photo")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sent_photo")),
        sa.UniqueConstraint("photo_key", name=op.f("uq_sent_photo_photo_key")),
    )
    op.create_index(op.f("ix_sent_photo_piece_key"), "sent_photo", ["piece_key"], unique=False)
    op.create_index(op.f("ix_sent_photo_photo_id"), "sent_photo", ["photo_id"], unique=False)
    op.create_table(
        "pour_correction",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("pour_id", sa.Integer(), nullable=False),
        sa.Column("mix_id", sa.Integer(), nullable=True),
        sa.Column("poured_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("poured_offset_min", sa.SmallInteger(), nullable=False),
        sa.Column("cure_notes", sa.Text(), nullable=False),
        sa.Column("molds", sa.JSON(), nullable=False),
        sa.Column("corrected_by", sa.String(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["mix_id"], ["mix.id"], name=op.f("fk_pour_correction_mix_id_mix")),
        sa.ForeignKeyConstraint(["pour_id"], ["pour.id"], name=op.f("fk_pour_correction_pour_id_pour")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pour_correction")),
    )
    op.create_index(op.f("ix_pour_correction_pour_id"), "pour_correction", ["pour_id"], unique=False)
    op.create_table(
        "pour_withdrawal",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("pour_id", sa.Integer(), nullable=False),
        sa.Column("withdrawn_by", sa.String(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["pour_id"], ["pour.id"], name=op.f("fk_pour_withdrawal_pour_id_pour")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pour_withdrawal")),
        sa.UniqueConstraint("pour_id", name=op.f("uq_pour_withdrawal_pour_id")),
    )
    op.create_table(
        "reference_use",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("reference_id", sa.Integer(), nullable=False),
        sa.Column("in_use", sa.Boolean(), nullable=False),
        sa.Column("said_by", sa.String(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["reference_id"], ["reference.id"], name=op.f("fk_reference_use_reference_id_reference")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reference_use")),
    )
    op.create_index(op.f("ix_reference_use_reference_id"), "reference_use", ["reference_id"], unique=False)
