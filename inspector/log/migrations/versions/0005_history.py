"""Who changed what, when, and from what: a chain of all states that rows have had."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=True),
        sa.Column("did", sa.String(), nullable=False),
        sa.Column("row_table", sa.String(), nullable=False),
        sa.Column("row_id", sa.Integer(), nullable=False),
        sa.Column("before", sa.JSON(), nullable=True),
        sa.Column("state_sha256", sa.LargeBinary(length=32), nullable=True),
        sa.Column("link", sa.LargeBinary(length=32), nullable=False),
        sa.CheckConstraint("did IN ('added', 'changed', 'removed', 'carried over')", name=op.f("ck_change_did")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_change")),
    )
    op.create_index(op.f("ix_change_row_table_row_id_id"), "change", ["row_table", "row_id", "id"], unique=False)
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION refuse_to_edit_the_history() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
            "RAISE integrity_constraint_violation USING MESSAGE = 'the history is only added to'; END $$"
        )
        op.execute(
            "CREATE TRIGGER change_is_only_added_to BEFORE UPDATE OR DELETE OR TRUNCATE ON change "
            "EXECUTE FUNCTION refuse_to_edit_the_history()"
        )
        return
    for doing in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER change_is_only_added_to_{doing.lower()} BEFORE {doing} ON change "
            "BEGIN SELECT RAISE(ABORT, 'the history is only added to'); END"
        )
