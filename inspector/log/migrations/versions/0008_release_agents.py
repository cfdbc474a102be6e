"""Release agents that a mold is changed to, and from when on."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False


def upgrade() -> None:
    op.create_table(
        "release_agent",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("mold_id", sa.Integer(), nullable=False),
        sa.Column("release_agent", sa.String(), nullable=False),
        sa.Column("from_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("said_by", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["mold_id"], ["mold.id"], name=op.f("fk_release_agent_mold_id_mold")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_release_agent")),
    )
    op.create_index(op.f("ix_release_agent_mold_id"), "release_agent", ["mold_id"], unique=False)
