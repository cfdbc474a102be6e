"""Pieces that wait can be listed by how unsure it is that they have a defect, found by index."""

import sqlalchemy as sa
from alembic import op

revision = "0025"
down_revision = "0024"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False

_WAITS = sa.text("unsure_rank IS NOT NULL")


def upgrade() -> None:
    op.add_column("piece_standing", sa.Column("unsure_rank", sa.Double(), nullable=True))
    op.execute(
        "UPDATE piece_standing SET unsure_rank = CASE WHEN score IS NULL THEN 2 ELSE abs(score - 0.5) END "
        "WHERE waiting_rank IS NOT NULL"
    )
    for of in ([], ["mold_id"], ["site_id"]):
        columns = [*of, "unsure_rank", "piece_id"]
        op.create_index(
            op.f(f"ix_piece_standing_{'_'.join(columns)}"), "piece_standing", columns, unique=False,
            sqlite_where=_WAITS, postgresql_where=_WAITS,
        )  # fmt: skip
