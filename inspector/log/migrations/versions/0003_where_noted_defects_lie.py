"""Which feature a noted defect lies in."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("noted_defect", sa.Column("feature_name", sa.String(), nullable=True))
