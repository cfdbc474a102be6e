"""Where people say that the piece is on a reference photo."""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False


def upgrade() -> None:
    op.create_table(
        "reference_outline",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("reference_id", sa.Integer(), nullable=False),
        sa.Column("outline_xy", sa.JSON(), nullable=True),
        sa.Column("said_by", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["reference_id"], ["reference.id"], name=op.f("fk_reference_outline_reference_id_reference")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reference_outline")),
    )
    op.create_index(op.f("ix_reference_outline_reference_id"), "reference_outline", ["reference_id"], unique=False)
