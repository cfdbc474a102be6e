"""Pours put right: what stood there before a correction, and pours that never were."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
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
