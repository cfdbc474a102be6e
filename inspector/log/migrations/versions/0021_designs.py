"""Designs that sites share, which design a mold is of, and what the pieces of each such mold tell by themselves."""

import sqlalchemy as sa
from alembic import op

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False


def upgrade() -> None:
    op.create_table(
        "design",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_design")),
        sa.UniqueConstraint("name", name=op.f("uq_design_name")),
    )
    op.create_table(
        "design_site",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("design_id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["design_id"], ["design.id"], name=op.f("fk_design_site_design_id_design")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_design_site_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_design_site")),
        sa.UniqueConstraint("design_id", "site_id", name=op.f("uq_design_site_design_id_site_id")),
    )
    with op.batch_alter_table("mold") as mold:
        mold.add_column(sa.Column("design_id", sa.Integer(), nullable=True))
        mold.create_foreign_key(op.f("fk_mold_design_id_design"), "design", ["design_id"], ["id"])
        mold.create_index(op.f("ix_mold_design_id"), ["design_id"])
    op.create_table(
        "mold_estimate",
        sa.Column("mold_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("said", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["mold_id"], ["mold.id"], name=op.f("fk_mold_estimate_mold_id_mold")),
        sa.PrimaryKeyConstraint("mold_id", name=op.f("pk_mold_estimate")),
    )
