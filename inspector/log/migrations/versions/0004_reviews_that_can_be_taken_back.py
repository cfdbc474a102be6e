"""What a person says about a piece: outlines corrected and drawn, notes, and words taken back by a later one."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("finding", sa.Column("drawn_by", sa.String(), nullable=True))
    with op.batch_alter_table("review") as review:
        review.drop_constraint(op.f("ck_review_verdict"), type_="check")
        review.drop_constraint(op.f("ck_review_new_kind"), type_="check")
        review.alter_column("verdict", existing_type=sa.String(), nullable=True)
        review.add_column(sa.Column("outline_xy", sa.JSON(), nullable=True))
        review.add_column(sa.Column("area_mm2", sa.Double(), nullable=True))
        review.add_column(sa.Column("length_mm", sa.Double(), nullable=True))
        review.add_column(sa.Column("width_mm", sa.Double(), nullable=True))
        review.add_column(sa.Column("undoes_id", sa.Integer(), nullable=True))
        review.create_foreign_key(op.f("fk_review_undoes_id_review"), "review", ["undoes_id"], ["id"])
        review.create_check_constraint(
            op.f("ck_review_verdict"), "verdict IN ('confirmed', 'dismissed', 'kind changed', 'outline corrected')"
        )
        review.create_check_constraint(op.f("ck_review_new_kind"), "verdict <> 'kind changed' OR new_kind IS NOT NULL")
    with op.batch_alter_table("disposition") as disposition:
        disposition.alter_column("outcome", existing_type=sa.String(), nullable=True)
        disposition.add_column(sa.Column("undoes_id", sa.Integer(), nullable=True))
        disposition.create_foreign_key(
            op.f("fk_disposition_undoes_id_disposition"), "disposition", ["undoes_id"], ["id"]
        )
    op.create_table(
        "piece_note",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("written_by", sa.String(), nullable=False),
        sa.Column("undoes_id", sa.Integer(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_piece_note_piece_id_piece")),
        sa.ForeignKeyConstraint(["undoes_id"], ["piece_note.id"], name=op.f("fk_piece_note_undoes_id_piece_note")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_piece_note")),
    )
    op.create_index(op.f("ix_piece_note_piece_id_id"), "piece_note", ["piece_id", "id"], unique=False)
