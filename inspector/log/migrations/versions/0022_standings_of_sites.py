"""Which site a piece is of, beside how it stands with it, so that lists of one site are found by index."""

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("piece_standing", sa.Column("site_id", sa.Integer(), nullable=True))
    op.execute(
        "UPDATE piece_standing SET site_id = (SELECT mold.site_id FROM mold WHERE mold.id = piece_standing.mold_id)"
    )
    with op.batch_alter_table("piece_standing") as changed:
        changed.alter_column("site_id", existing_type=sa.Integer(), nullable=False)
        changed.create_foreign_key(op.f("fk_piece_standing_site_id_site"), "site", ["site_id"], ["id"])
    for columns in (["site_id", "seen_at", "piece_id"], ["site_id", "waiting_rank", "piece_id"]):
        op.create_index(op.f(f"ix_piece_standing_{'_'.join(columns)}"), "piece_standing", columns, unique=False)
