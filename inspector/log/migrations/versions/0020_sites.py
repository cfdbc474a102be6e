"""Sites that share the log: all that there was belongs to the first one, and names are unique within a site."""

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None
changes_rows_of = (
    "account", "expected_temperature", "mix", "mold", "photo", "script_token", "site_role", "unit_choice",
)  # fmt: skip
makes_rollups_stale = True

# Tables that name a site, with the column that was unique and is so within a site now. It comes first, so that a log of
# one site, whose queries name none, finds a row by it as before.
_OF_A_SITE = {"expected_temperature": None, "learnt": None, "mix": "name", "mold": "name", "photo": "sha256",
              "script_token": None, "unit_choice": None}  # fmt: skip
_ROLE = "role IN ('see', 'record', 'manage')"


def upgrade() -> None:
    # What was learnt, of all molds of the log, is learnt anew at the next refit.
    op.execute("DELETE FROM learnt")
    op.execute("DELETE FROM mold_outlook")
    site = op.create_table(
        "site",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site")),
        sa.UniqueConstraint("name", name=op.f("uq_site_name")),
    )
    op.bulk_insert(site, [{"name": "first", "created_at": datetime.now(UTC)}])
    for table, unique in _OF_A_SITE.items():
        op.add_column(table, sa.Column("site_id", sa.Integer(), nullable=True))
        op.execute(f"UPDATE {table} SET site_id = 1")  # noqa: S608 - a table named above
        with op.batch_alter_table(table) as changed:
            changed.alter_column("site_id", existing_type=sa.Integer(), nullable=False)
            changed.create_foreign_key(op.f(f"fk_{table}_site_id_site"), "site", ["site_id"], ["id"])
            if unique is not None:
                changed.drop_constraint(op.f(f"uq_{table}_{unique}"), type_="unique")
                changed.create_unique_constraint(op.f(f"uq_{table}_{unique}_site_id"), [unique, "site_id"])
    # Counted anew, site by site, when the log is opened.
    op.drop_table("photo_count")
    op.create_table(
        "photo_count",
        sa.Column("site_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("photos", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_photo_count_site_id_site")),
        sa.PrimaryKeyConstraint("site_id", "state", name=op.f("pk_photo_count")),
    )
    op.create_table(
        "site_role",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.CheckConstraint(_ROLE, name=op.f("ck_site_role_role")),
        sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f("fk_site_role_account_id_account")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_site_role_site_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site_role")),
        sa.UniqueConstraint("account_id", "site_id", name=op.f("uq_site_role_account_id_site_id")),
    )
    op.execute(
        "INSERT INTO site_role (account_id, site_id, role) "
        "SELECT id, 1, role FROM account WHERE removed_at IS NULL ORDER BY id"
    )
    with op.batch_alter_table("account") as account:
        account.drop_constraint(op.f("ck_account_role"), type_="check")
        account.drop_column("role")
    op.create_table(
        "site_grant",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("people_of_id", sa.Integer(), nullable=False),
        sa.Column("sees_id", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["people_of_id"], ["site.id"], name=op.f("fk_site_grant_people_of_id_site")),
        sa.ForeignKeyConstraint(["sees_id"], ["site.id"], name=op.f("fk_site_grant_sees_id_site")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site_grant")),
        sa.UniqueConstraint("people_of_id", "sees_id", name=op.f("uq_site_grant_people_of_id_sees_id")),
    )
