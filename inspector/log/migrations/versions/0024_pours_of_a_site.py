"""Which pours were made at a site when: lists of pours read those of the site alone, however many others made."""

import sqlalchemy as sa
from alembic import op

revision = "0024"
down_revision = "0023"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False


def upgrade() -> None:
    op.create_table(
        "site_pour",
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("poured_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("pour_id", sa.Integer(), nullable=False),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["pour_id"], ["pour.id"], name=op.f("fk_site_pour_pour_id_pour")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_site_pour_site_id_site")),
        sa.PrimaryKeyConstraint("site_id", "poured_at", "pour_id", name=op.f("pk_site_pour")),
    )
    op.create_index(op.f("ix_site_pour_pour_id"), "site_pour", ["pour_id"], unique=False)
    op.execute(
        "INSERT INTO site_pour (site_id, poured_at, pour_id, withdrawn) "
        "SELECT DISTINCT mold.site_id, pour.poured_at, pour.id, "
        "pour.id IN (SELECT pour_withdrawal.pour_id FROM pour_withdrawal) "
        "FROM pour JOIN pour_mold ON pour_mold.pour_id = pour.id JOIN mold ON mold.id = pour_mold.mold_id"
    )
