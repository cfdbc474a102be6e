"""Which site a piece is of, beside how it stands with it, so that lists of one site are found by index.

The table is made anew; its rows are worked out when the log is opened.
"""

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.drop_table("piece_standing")
    op.create_table(
        "piece_standing",
        sa.Column("piece_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("mold_id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
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
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_piece_standing_site_id_site")),
        sa.PrimaryKeyConstraint("piece_id", name=op.f("pk_piece_standing")),
    )
    for columns in (
        ["mold_id", "seen_at", "piece_id"],
        ["seen_at", "piece_id"],
        ["waiting_rank", "piece_id"],
        ["mold_id", "waiting_rank", "piece_id"],
        ["site_id", "seen_at", "piece_id"],
        ["site_id", "waiting_rank", "piece_id"],
    ):
        op.create_index(op.f(f"ix_piece_standing_{'_'.join(columns)}"), "piece_standing", columns, unique=False)
