"""How many photos there are in each state, of each piece and of all together, so that nobody has to look at each.

What is known of pieces is worked out anew when the log is opened: its table is made anew. What was learnt from all
molds does not say by how much pours differ, so that it has to be learnt anew as well.
"""

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = True


def upgrade() -> None:
    op.create_table(
        "photo_count",
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("photos", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("state", name=op.f("pk_photo_count")),
    )
    op.execute("DELETE FROM learnt")
    op.execute("DELETE FROM mold_outlook")
    op.drop_table("piece_standing")
    op.create_table(
        "piece_standing",
        sa.Column("piece_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("mold_id", sa.Integer(), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("waiting_rank", sa.Double(), nullable=True),
        sa.Column("score", sa.Double(), nullable=True),
        sa.Column("photos_waiting", sa.SmallInteger(), nullable=False),
        sa.Column("photos_inspected", sa.SmallInteger(), nullable=False),
        sa.Column("photos_unusable", sa.SmallInteger(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=True),
        sa.Column("found", sa.Text(), nullable=False),
        sa.Column("noted", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["mold_id"], ["mold.id"], name=op.f("fk_piece_standing_mold_id_mold")),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_piece_standing_piece_id_piece")),
        sa.PrimaryKeyConstraint("piece_id", name=op.f("pk_piece_standing")),
    )
    for columns in (
        ["mold_id", "seen_at", "piece_id"],
        ["seen_at", "piece_id"],
        ["waiting_rank", "piece_id"],
        ["mold_id", "waiting_rank", "piece_id"],
    ):
        op.create_index(op.f(f"ix_piece_standing_{'_'.join(columns)}"), "piece_standing", columns, unique=False)
