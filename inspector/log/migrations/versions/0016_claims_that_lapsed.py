"""How often a claim on a photo ran out, which says less about the photo than a process that ended."""

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False


def upgrade() -> None:
    op.add_column("awaiting_photo", sa.Column("lapses", sa.Integer(), nullable=False, server_default="0"))
