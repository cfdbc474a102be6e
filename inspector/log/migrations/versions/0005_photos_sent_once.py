"""Photos that browsers send again: the keys that tell a second try from a second photo, and which go together."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "sent_photo",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photo_key", sa.String(), nullable=False),
        sa.Column("piece_key", sa.String(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["photo_id"], ["photo.id"], name=op.f("fk_sent_photo_photo_id_photo")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sent_photo")),
        sa.UniqueConstraint("photo_key", name=op.f("uq_sent_photo_photo_key")),
    )
    op.create_index(op.f("ix_sent_photo_piece_key"), "sent_photo", ["piece_key"], unique=False)
    op.create_index(op.f("ix_sent_photo_photo_id"), "sent_photo", ["photo_id"], unique=False)
