"""Where findings lie on the references, what reviews changed about them, and which places are not taken as normal.

Findings of before have no outline on a reference, so that their reviews teach nothing.
"""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False


def upgrade() -> None:
    op.add_column("finding", sa.Column("confidence_alone", sa.Double(), nullable=True))
    op.add_column("finding", sa.Column("dismissed_on", sa.Integer(), nullable=True))
    op.add_column("finding", sa.Column("on_references", sa.JSON(), nullable=True))
    op.add_column("inspection", sa.Column("not_counted", sa.JSON(), nullable=True))
    op.create_table(
        "lesson_use",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("finding_id", sa.Integer(), nullable=False),
        sa.Column("in_use", sa.Boolean(), nullable=False),
        sa.Column("said_by", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["finding_id"], ["finding.id"], name=op.f("fk_lesson_use_finding_id_finding")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lesson_use")),
    )
    op.create_index(op.f("ix_lesson_use_finding_id"), "lesson_use", ["finding_id"], unique=False)
