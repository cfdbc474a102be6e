"""Photos that are kept and wait for their inspection, with who has begun with it and until when that holds."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False


def upgrade() -> None:
    op.create_table(
        "awaiting_photo",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("pour_id", sa.Integer(), nullable=True),
        sa.Column("demolded_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("demolded_offset_min", sa.SmallInteger(), nullable=True),
        sa.Column("view", sa.String(), nullable=True),
        sa.Column("sent_by", sa.String(), nullable=True),
        sa.Column("refused", sa.Text(), nullable=True),
        sa.Column("likely", sa.JSON(), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("claimed_by", sa.String(), nullable=True),
        sa.Column("claimed_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["photo_id"], ["photo.id"], name=op.f("fk_awaiting_photo_photo_id_photo")),
        sa.ForeignKeyConstraint(["pour_id"], ["pour.id"], name=op.f("fk_awaiting_photo_pour_id_pour")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_awaiting_photo")),
        sa.UniqueConstraint("photo_id", name=op.f("uq_awaiting_photo_photo_id")),
    )
