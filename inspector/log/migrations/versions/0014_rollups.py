"""How it stands with each piece and which pours went into each mold, so that pages find both by index; what was learnt.

The rows are worked out when the log is opened. What the table of pieces that wait said, that of standings says.
"""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = True


def upgrade() -> None:
    op.create_table(
        "piece_standing",
        sa.Column("piece_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("mold_id", sa.Integer(), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("waiting_rank", sa.Double(), nullable=True),
        sa.Column("score", sa.Double(), nullable=True),
        sa.Column("inspected", sa.Boolean(), nullable=False),
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
    op.create_table(
        "mold_pour",
        sa.Column("mold_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("poured_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("pour_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.ForeignKeyConstraint(["mold_id"], ["mold.id"], name=op.f("fk_mold_pour_mold_id_mold")),
        sa.ForeignKeyConstraint(["pour_id"], ["pour.id"], name=op.f("fk_mold_pour_pour_id_pour")),
        sa.PrimaryKeyConstraint("mold_id", "poured_at", "pour_id", name=op.f("pk_mold_pour")),
    )
    op.create_index(op.f("ix_mold_pour_pour_id"), "mold_pour", ["pour_id"], unique=False)
    op.drop_table("waiting_piece")
    op.create_table(
        "learnt",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("said", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_learnt")),
    )
    op.create_table(
        "mold_outlook",
        sa.Column("mold_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("said", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["mold_id"], ["mold.id"], name=op.f("fk_mold_outlook_mold_id_mold")),
        sa.PrimaryKeyConstraint("mold_id", name=op.f("pk_mold_outlook")),
    )
    for name in ("temperature_record", "break_test"):
        op.create_index(op.f(f"ix_{name}_withdrawn_at"), name, ["withdrawn_at"], unique=False)
