"""References that are no longer used stay on record."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
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
