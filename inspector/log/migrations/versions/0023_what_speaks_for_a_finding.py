"""What of the photo spoke for each finding: a lost outline, a changed surface, a dark line."""

import sqlalchemy as sa
from alembic import op

revision = "0023"
down_revision = "0022"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False


def upgrade() -> None:
    op.add_column("finding", sa.Column("seen_as", sa.String(), nullable=True))
