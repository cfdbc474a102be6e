"""Which pieces wait for a decision, so that not all pieces are looked at to find them."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False


def upgrade() -> None:
    op.create_table(
        "waiting_piece",
        sa.Column("piece_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("score", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_waiting_piece_piece_id_piece")),
        sa.PrimaryKeyConstraint("piece_id", name=op.f("pk_waiting_piece")),
    )
    op.execute(
        "INSERT INTO waiting_piece (piece_id, score) "
        "SELECT piece.id, (SELECT max(inspection.score) FROM inspection JOIN photo ON photo.id = inspection.photo_id "
        "WHERE photo.piece_id = piece.id AND inspection.status = 'inspected' AND inspection.id = "
        "(SELECT max(other.id) FROM inspection AS other WHERE other.photo_id = inspection.photo_id)) "
        "FROM piece WHERE "
        "(SELECT outcome FROM disposition WHERE piece_id = piece.id ORDER BY disposition.id DESC LIMIT 1) IS NULL "
        "AND NOT (EXISTS (SELECT 1 FROM defect_note WHERE defect_note.piece_id = piece.id) "
        "AND NOT EXISTS (SELECT 1 FROM photo WHERE photo.piece_id = piece.id))"
    )
