"""Which units the pages show, and who chose them when."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False


def upgrade() -> None:
    op.create_table(
        "unit_choice",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("units", sa.String(), nullable=False),
        sa.Column("said_by", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("units IN ('metric', 'us')", name=op.f("ck_unit_choice_units")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unit_choice")),
    )
