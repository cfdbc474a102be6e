"""Who may reach the log over the network: accounts, tokens of scripts, and what proves that somebody is one."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None
changes_rows_of = ()
makes_rollups_stale = False

_ROLE = "role IN ('see', 'record', 'manage')"


def upgrade() -> None:
    op.create_table(
        "account",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("name_key", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("password_set_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("removed_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint(_ROLE, name=op.f("ck_account_role")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account")),
        sa.UniqueConstraint("name_key", name=op.f("uq_account_name_key")),
    )
    op.create_table(
        "account_password",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("hash", sa.String(), nullable=False),
        _of_account("account_password"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account_password")),
        sa.UniqueConstraint("account_id", name=op.f("uq_account_password_account_id")),
    )
    op.create_table(
        "password_link",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code_sha256", sa.LargeBinary(length=32), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=True),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        _of_account("password_link"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_password_link")),
        sa.UniqueConstraint("code_sha256", name=op.f("uq_password_link_code_sha256")),
    )
    op.create_index(op.f("ix_password_link_account_id"), "password_link", ["account_id"], unique=False)
    op.create_table(
        "browser_session",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code_sha256", sa.LargeBinary(length=32), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_seen_at", sa.DateTime(timezone=True), nullable=False),
        _of_account("browser_session"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_browser_session")),
        sa.UniqueConstraint("code_sha256", name=op.f("uq_browser_session_code_sha256")),
    )
    op.create_index(op.f("ix_browser_session_account_id"), "browser_session", ["account_id"], unique=False)
    op.create_table(
        "known_browser",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code_sha256", sa.LargeBinary(length=32), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        _of_account("known_browser"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_known_browser")),
        sa.UniqueConstraint("code_sha256", name=op.f("uq_known_browser_code_sha256")),
    )
    op.create_index(op.f("ix_known_browser_account_id"), "known_browser", ["account_id"], unique=False)
    op.create_table(
        "script_token",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint(_ROLE, name=op.f("ck_script_token_role")),
        sa.ForeignKeyConstraint(["made_by_id"], ["account.id"], name=op.f("fk_script_token_made_by_id_account")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_script_token")),
    )
    op.create_index(op.f("ix_script_token_made_by_id"), "script_token", ["made_by_id"], unique=False)
    op.create_table(
        "script_token_secret",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("token_id", sa.Integer(), nullable=False),
        sa.Column("code_sha256", sa.LargeBinary(length=32), nullable=False),
        sa.Column("last_used_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["token_id"], ["script_token.id"], name=op.f("fk_script_token_secret_token_id_script_token")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_script_token_secret")),
        sa.UniqueConstraint("code_sha256", name=op.f("uq_script_token_secret_code_sha256")),
        sa.UniqueConstraint("token_id", name=op.f("uq_script_token_secret_token_id")),
    )


def _of_account(table: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(["account_id"], ["account.id"], name=op.f(f"fk_{table}_account_id_account"))
