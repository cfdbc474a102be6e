"""What pour and time of demolding a piece was held to have before somebody corrected it."""

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False


def upgrade() -> None:
    op.create_table(
        "piece_correction",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("pour_id", sa.Integer(), nullable=True),
        sa.Column("demolded_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("demolded_offset_min", sa.SmallInteger(), nullable=True),
        sa.Column("corrected_by", sa.String(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_piece_correction_piece_id_piece")),
        sa.ForeignKeyConstraint(["pour_id"], ["pour.id"], name=op.f("fk_piece_correction_pour_id_pour")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_piece_correction")),
    )
    op.create_index(op.f("ix_piece_correction_piece_id"), "piece_correction", ["piece_id"], unique=False)
