"""Lists of one site, whether a mold still holds a pour, and what was written down of a pour are found by index.

A piece's site stands beside how it stands with the piece, and what is learnt of a mold tells of its months.
"""

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False

_IS_WITHDRAWN = sa.text("withdrawn_at IS NOT NULL")


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
    op.drop_index(op.f("ix_piece_pour_id"), "piece")
    op.create_index(op.f("ix_piece_pour_id_mold_id"), "piece", ["pour_id", "mold_id"], unique=False)
    for table in ("temperature_record", "break_test"):
        op.drop_index(op.f(f"ix_{table}_withdrawn_at"), table)
        op.create_index(
            op.f(f"ix_{table}_withdrawn_at"), table, ["withdrawn_at"], unique=False,
            sqlite_where=_IS_WITHDRAWN, postgresql_where=_IS_WITHDRAWN,
        )  # fmt: skip
    op.add_column("mold_outlook", sa.Column("months", sa.Text(), nullable=True))
