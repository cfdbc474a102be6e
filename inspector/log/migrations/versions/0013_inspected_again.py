"""What a photo was compared with, and which findings a person had spoken on before they were found once more."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False


def upgrade() -> None:
    op.add_column("inspection", sa.Column("compared_with", sa.String(), nullable=True))
    op.create_table(
        "answered_finding",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("finding_id", sa.Integer(), nullable=False),
        sa.Column("answered_by_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["answered_by_id"], ["finding.id"], name=op.f("fk_answered_finding_answered_by_id_finding")
        ),
        sa.ForeignKeyConstraint(["finding_id"], ["finding.id"], name=op.f("fk_answered_finding_finding_id_finding")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_answered_finding")),
        sa.UniqueConstraint("finding_id", name=op.f("uq_answered_finding_finding_id")),
    )
