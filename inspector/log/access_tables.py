"""Tables of who may reach the log over the network.

Accounts and tokens are told by the history like all else. What proves that somebody is who they say (hashes of
passwords, of codes in links, cookies and tokens) stands in tables of its own, which the history leaves out.
"""

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, LargeBinary, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from inspector.log.tables import Base

__all__ = [
    "PASSING_TABLES",
    "SECRET_TABLES",
    "AccountRow",
    "KnownBrowserRow",
    "LinkRow",
    "PasswordRow",
    "SessionRow",
    "SiteGrantRow",
    "SiteRoleRow",
    "TokenRow",
    "TokenSecretRow",
    "WrongGuessRow",
]

_ROLE = "role IN ('see', 'record', 'manage')"


class AccountRow(Base):
    """Somebody who may sign in. Removed ones stay, since the history names them."""

    __tablename__ = "account"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    name_key: Mapped[str] = mapped_column(unique=True)
    """The name without what people do not see as a difference."""
    created_at: Mapped[datetime]
    password_set_at: Mapped[datetime | None]
    removed_at: Mapped[datetime | None]


class SiteRoleRow(Base):
    """What an account may do at a site; without a row it has nothing to do there."""

    __tablename__ = "site_role"
    __table_args__ = (CheckConstraint(_ROLE, name="role"), UniqueConstraint("account_id", "site_id"))

    id: Mapped[int] = mapped_column(primary_key=True)
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id"))
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    role: Mapped[str]


class SiteGrantRow(Base):
    """That the people of a site may look at another one."""

    __tablename__ = "site_grant"
    __table_args__ = (UniqueConstraint("people_of_id", "sees_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    people_of_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    sees_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    created_at: Mapped[datetime]


class PasswordRow(Base):
    """The argon2 hash of an account's password."""

    __tablename__ = "account_password"

    id: Mapped[int] = mapped_column(primary_key=True)
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id"), unique=True)
    hash: Mapped[str]


class LinkRow(Base):
    """A link by which a password is set once; for the first manager it names no account yet."""

    __tablename__ = "password_link"

    id: Mapped[int] = mapped_column(primary_key=True)
    code_sha256: Mapped[bytes] = mapped_column(LargeBinary(32), unique=True)
    account_id: Mapped[int | None] = mapped_column(ForeignKey("account.id"), index=True)
    expires_at: Mapped[datetime]

    account: Mapped[AccountRow | None] = relationship()


class SessionRow(Base):
    """A browser in which somebody is signed in; the row goes when they sign out."""

    __tablename__ = "browser_session"

    id: Mapped[int] = mapped_column(primary_key=True)
    code_sha256: Mapped[bytes] = mapped_column(LargeBinary(32), unique=True)
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)
    created_at: Mapped[datetime]
    last_seen_at: Mapped[datetime]

    account: Mapped[AccountRow] = relationship()


class KnownBrowserRow(Base):
    """A browser in which somebody has signed in before: strangers' wrong guesses do not keep it waiting."""

    __tablename__ = "known_browser"

    id: Mapped[int] = mapped_column(primary_key=True)
    code_sha256: Mapped[bytes] = mapped_column(LargeBinary(32), unique=True)
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)


class TokenRow(Base):
    """What a script names itself with. Revoked ones stay, since the history names them."""

    __tablename__ = "script_token"
    __table_args__ = (CheckConstraint(_ROLE, name="role"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    name: Mapped[str]
    role: Mapped[str]
    made_by_id: Mapped[int | None] = mapped_column(ForeignKey("account.id"), index=True)
    """None: made at the machine itself."""
    created_at: Mapped[datetime]
    revoked_at: Mapped[datetime | None]

    made_by: Mapped[AccountRow | None] = relationship()


class TokenSecretRow(Base):
    """The SHA-256 of a token: 256 random bits, which nobody guesses, need no slow hash."""

    __tablename__ = "script_token_secret"

    id: Mapped[int] = mapped_column(primary_key=True)
    token_id: Mapped[int] = mapped_column(ForeignKey("script_token.id"), unique=True)
    code_sha256: Mapped[bytes] = mapped_column(LargeBinary(32), unique=True)
    last_used_at: Mapped[datetime | None]

    token: Mapped[TokenRow] = relationship()


class WrongGuessRow(Base):
    """How often a password was tried in vain by an address, for a name or in a browser, all three told as a hash."""

    __tablename__ = "wrong_guess"

    id: Mapped[int] = mapped_column(primary_key=True)
    key_sha256: Mapped[bytes] = mapped_column(LargeBinary(32), unique=True)
    tries: Mapped[int]
    last_at: Mapped[datetime]


PASSING_TABLES = frozenset(row.__tablename__ for row in (LinkRow, SessionRow, KnownBrowserRow, WrongGuessRow))
"""Tables of what is over after a while."""
SECRET_TABLES = PASSING_TABLES | {PasswordRow.__tablename__, TokenSecretRow.__tablename__}
"""Tables that the history leaves out."""
