"""Wrong tries at passwords, so that a restart does not forget them."""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False


def upgrade() -> None:
    op.create_table(
        "wrong_guess",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key_sha256", sa.LargeBinary(length=32), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("last_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_wrong_guess")),
        sa.UniqueConstraint("key_sha256", name=op.f("uq_wrong_guess_key_sha256")),
    )
