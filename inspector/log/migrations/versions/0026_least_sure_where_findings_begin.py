"""How unsure a waiting piece is goes by the score from which defects are shown, not by one half."""

from alembic import op

revision = "0026"
down_revision = "0025"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False


def upgrade() -> None:
    op.execute(
        "UPDATE piece_standing SET unsure_rank = CASE WHEN score < 0.3 THEN (0.3 - score) / 0.3 "
        "ELSE (score - 0.3) / (1 - 0.3) END WHERE unsure_rank IS NOT NULL AND score IS NOT NULL"
    )
