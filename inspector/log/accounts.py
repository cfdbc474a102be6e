"""Accounts, and what proves that somebody is one: password hashes, links that set a password once, sessions.

An account has a role at each site that it has to do with. Over a log that is held to a site the accounts are those with
a role there, and what is changed or removed is that role.
"""

from datetime import datetime, timedelta

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from inspector.errors import InputError
from inspector.log.access_records import ROLES, Account, AccountSession, PasswordLink, Role
from inspector.log.access_tables import (
    AccountRow,
    KnownBrowserRow,
    LinkRow,
    PasswordRow,
    SessionRow,
    SiteGrantRow,
    SiteRoleRow,
    TokenRow,
)
from inspector.log.opening import Log
from inspector.log.site_tables import SiteRow

__all__ = [
    "add_account",
    "add_link",
    "add_session",
    "end_session",
    "find_account",
    "find_link",
    "find_session",
    "find_site_roles",
    "give_role",
    "has_manager",
    "has_role_elsewhere",
    "is_known_browser",
    "list_accounts",
    "password_hash",
    "remove_account",
    "renew_hash",
    "set_password",
    "set_role",
    "touch_session",
    "use_link",
]

# As many phones and laptops as one person signs in on; the oldest are forgotten.
_KNOWN_BROWSERS = 20


def add_account(log: Log, name: str, *, name_key: str, role: Role, at: datetime) -> Account:
    """Add an account, or let one that was removed back in, without a password.

    Raises
    ------
    InputError
        If the name is taken.
    """
    with log.writing() as session:
        row = _add_account(session, name, name_key=name_key, at=at)
        session.add(SiteRoleRow(account_id=row.id, role=role))
        session.flush()
        return _account(session, row)


def list_accounts(log: Log) -> tuple[Account, ...]:
    """List the accounts that have a role, by name; one with a role at several sites stands there for each."""
    with log.reading() as session:
        rows = session.execute(
            select(AccountRow, SiteRoleRow.role)
            .join(SiteRoleRow, SiteRoleRow.account_id == AccountRow.id)
            .order_by(AccountRow.name_key, SiteRoleRow.site_id)
        )
        return tuple(_account(session, row, role=role) for row, role in rows)


def find_account(log: Log, account_id: int) -> Account:
    """Find an account.

    Raises
    ------
    InputError
        If there is none.
    """
    with log.reading() as session:
        return _account(session, _row(session, account_id))


def has_manager(log: Log) -> bool:
    """Whether somebody can sign in who may make accounts."""
    with log.reading() as session:
        return _count_managers(session) > 0


def find_site_roles(log: Log, account_id: int) -> dict[int, Role]:
    """Tell what an account may do, by site: by its own roles, or to look where a site of its was let look."""
    with log.reading() as session:
        own = select(SiteRoleRow.site_id, SiteRoleRow.role).where(SiteRoleRow.account_id == account_id)
        roles = {site_id: _known(role) for site_id, role in session.execute(own)}
        granted = select(SiteGrantRow.sees_id).where(SiteGrantRow.people_of_id.in_(roles))
        return dict.fromkeys(session.scalars(granted), _known("see")) | roles


def give_role(log: Log, account_id: int, role: Role, *, at: datetime) -> Account:
    """Give an account a role at the site of a log where it has none yet; else change it as `set_role` does."""
    with log.writing() as session:
        if session.get(AccountRow, account_id) is not None and _role_row(session, account_id) is None:
            session.add(SiteRoleRow(account_id=account_id, role=role))
    return set_role(log, account_id, role, at=at)


def set_role(log: Log, account_id: int, role: Role, *, at: datetime) -> Account:
    """Change what somebody may do; their sessions end, and so do tokens that they may make no longer.

    Raises
    ------
    InputError
        If there is no such account, or nobody would be left who may make accounts.
    """
    with log.writing() as session:
        row, held = _row(session, account_id), _role_row(session, account_id)
        if held is not None and held.role != role:
            _keep_a_manager(session, row, held, what="gets fewer rights")
            held.role = role
            _end_sessions(session, account_id)
            if role != "manage":
                _revoke_tokens(session, account_id, at=at)
            session.flush()
        return _account(session, row)


def remove_account(log: Log, account_id: int, *, at: datetime) -> None:
    """Remove an account from the site of a log: its sessions, and the tokens that it made there, are gone at once.

    With its last role its password and links go.

    Raises
    ------
    InputError
        If there is no such account, or nobody would be left who may make accounts.
    """
    elsewhere = has_role_elsewhere(log, account_id)
    with log.writing() as session:
        row, held = _row(session, account_id), _role_row(session, account_id)
        if held is not None:
            _keep_a_manager(session, row, held, what="is removed")
            session.delete(held)
        if not elsewhere:
            row.removed_at = at
            row.password_set_at = None
            for table in (PasswordRow, LinkRow, KnownBrowserRow):
                session.execute(delete(table).where(table.account_id == account_id))
        _end_sessions(session, account_id)
        _revoke_tokens(session, account_id, at=at)


def has_role_elsewhere(log: Log, account_id: int) -> bool:
    """Whether an account has to do with another site than that of a log."""
    with log.whole().reading() as session:
        other = SiteRoleRow.account_id == account_id, SiteRoleRow.site_id != log.site_id
        return log.site_id is not None and session.scalar(select(SiteRoleRow.id).where(*other).limit(1)) is not None


def password_hash(log: Log, name_key: str) -> tuple[Account, str] | None:
    """Give the account of a name with the hash of its password; None where either is missing."""
    with log.reading() as session:
        found = session.execute(
            select(AccountRow, PasswordRow.hash)
            .join(PasswordRow, PasswordRow.account_id == AccountRow.id)
            .where(AccountRow.name_key == name_key, AccountRow.removed_at.is_(None))
        ).one_or_none()
        return None if found is None else (_account(session, found[0]), found[1])


def set_password(log: Log, account_id: int, hashed: str, *, at: datetime) -> Account:
    """Set a password: all sessions, links and known browsers of the account end."""
    with log.writing() as session:
        row = _row(session, account_id)
        _set_password(session, row, hashed, at=at)
        return _account(session, row)


def renew_hash(log: Log, account_id: int, hashed: str) -> None:
    """Keep a slower hash of the same password."""
    with log.writing() as session:
        row = session.scalars(select(PasswordRow).where(PasswordRow.account_id == account_id)).one()
        row.hash = hashed


def add_link(log: Log, code_sha256: bytes, *, account_id: int | None, expires_at: datetime) -> None:
    """Keep the hash of a link that sets a password; the earlier one of the same account ends.

    Raises
    ------
    InputError
        If there is no such account.
    """
    with log.writing() as session:
        if account_id is not None:
            _row(session, account_id)
        session.execute(delete(LinkRow).where(LinkRow.account_id.is_not_distinct_from(account_id)))
        session.add(LinkRow(code_sha256=code_sha256, account_id=account_id, expires_at=expires_at))


def find_link(log: Log, code_sha256: bytes, *, at: datetime) -> PasswordLink | None:
    """Find a link that can still be used."""
    with log.reading() as session:
        link = _link(session, code_sha256, at=at)
        if link is None:
            return None
        return PasswordLink(None if link.account is None else _account(session, link.account), link.expires_at)


def use_link(log: Log, code_sha256: bytes, *, name: str, name_key: str, hashed: str, at: datetime) -> Account | None:
    """Set a password by a link, which can be used no more; the first manager's link makes the account.

    Returns
    -------
    account : Account or None
        None if the link was used or replaced meanwhile, or its time is over.

    Raises
    ------
    InputError
        If the name is taken.
    """
    with log.writing() as session:
        link = _link(session, code_sha256, at=at)
        if link is None:
            return None
        row = link.account
        if row is None:
            row = _add_account(session, name, name_key=name_key, at=at)
            for site_id in session.scalars(select(SiteRow.id)).all():
                session.add(SiteRoleRow(account_id=row.id, site_id=site_id, role="manage"))
            session.delete(link)
        _set_password(session, row, hashed, at=at)
        return _account(session, row)


def add_session(
    log: Log,
    account_id: int,
    code_sha256: bytes,
    *,
    at: datetime,
    replaces_sha256: bytes | None,
    browser_sha256: bytes | None,
    outlived: datetime,
) -> None:
    """Begin a session.

    Parameters
    ----------
    log : Log
    account_id : int
    code_sha256 : bytes
        Of the code that the browser will send.
    at : datetime
    replaces_sha256 : bytes, optional
        Of the code that the browser sent before; that session ends.
    browser_sha256 : bytes, optional
        Of the code by which the browser is known from now on; None where it is known already.
    outlived : datetime
        Sessions of anybody that began before are over, and go.
    """
    with log.writing() as session:
        session.execute(delete(SessionRow).where(SessionRow.created_at < outlived))
        session.execute(delete(SessionRow).where(SessionRow.code_sha256 == replaces_sha256))
        session.add(SessionRow(code_sha256=code_sha256, account_id=account_id, created_at=at, last_seen_at=at))
        if browser_sha256 is not None:
            session.add(KnownBrowserRow(code_sha256=browser_sha256, account_id=account_id))
            session.flush()
            kept = (
                select(KnownBrowserRow.id)
                .where(KnownBrowserRow.account_id == account_id)
                .order_by(KnownBrowserRow.id.desc())
                .limit(_KNOWN_BROWSERS)
            )
            others = KnownBrowserRow.account_id == account_id, KnownBrowserRow.id.not_in(kept.scalar_subquery())
            session.execute(delete(KnownBrowserRow).where(*others))


def find_session(
    log: Log, code_sha256: bytes, *, at: datetime, longest: timedelta, longest_idle: timedelta
) -> AccountSession | None:
    """Find a session that is not over, of an account that was not removed."""
    with log.reading() as session:
        row = session.scalars(
            select(SessionRow)
            .join(AccountRow)
            .where(
                SessionRow.code_sha256 == code_sha256,
                SessionRow.created_at > at - longest,
                SessionRow.last_seen_at > at - longest_idle,
                AccountRow.removed_at.is_(None),
            )
        ).one_or_none()
        if row is None:
            return None
        account = _plain_account(row.account, role=None, last_seen_at=row.last_seen_at)
        return AccountSession(row.id, account, row.created_at, row.last_seen_at)


def touch_session(log: Log, session_id: int, *, at: datetime) -> None:
    """Note that a session was heard of; one that ended meanwhile stays ended."""
    with log.writing() as session:
        row = session.get(SessionRow, session_id)
        if row is not None:
            row.last_seen_at = at


def end_session(log: Log, code_sha256: bytes) -> None:
    """End a session."""
    with log.writing() as session:
        session.execute(delete(SessionRow).where(SessionRow.code_sha256 == code_sha256))


def is_known_browser(log: Log, browser_sha256: bytes, *, account_id: int) -> bool:
    """Whether somebody has signed in to this account with this browser since its password was set."""
    with log.reading() as session:
        known = KnownBrowserRow.code_sha256 == browser_sha256, KnownBrowserRow.account_id == account_id
        return session.scalar(select(KnownBrowserRow.id).where(*known)) is not None


def _add_account(session: Session, name: str, *, name_key: str, at: datetime) -> AccountRow:
    row = session.scalars(select(AccountRow).where(AccountRow.name_key == name_key)).one_or_none()
    if row is not None and row.removed_at is None:
        raise InputError(f"There is an account {row.name} already. Choose another name.")
    if row is None:
        row = AccountRow(name=name, name_key=name_key, created_at=at)
        session.add(row)
    row.name, row.removed_at = name, None
    session.flush()
    return row


def _row(session: Session, account_id: int) -> AccountRow:
    row = session.get(AccountRow, account_id)
    if row is None or _role_row(session, account_id) is None:
        raise InputError(f"There is no account {account_id}. It may have been removed meanwhile.")
    return row


def _role_row(session: Session, account_id: int) -> SiteRoleRow | None:
    """What an account may do at the site that the session is held to."""
    query = select(SiteRoleRow).where(SiteRoleRow.account_id == account_id).order_by(SiteRoleRow.site_id)
    return session.scalars(query).first()


def _count_managers(session: Session, *, but: int = 0) -> int:
    managers = (
        select(func.count(AccountRow.id))
        .join(PasswordRow, PasswordRow.account_id == AccountRow.id)
        .join(SiteRoleRow, SiteRoleRow.account_id == AccountRow.id)
        .where(SiteRoleRow.role == "manage", AccountRow.id != but)
    )
    return session.scalar(managers) or 0


def _keep_a_manager(session: Session, row: AccountRow, held: SiteRoleRow, *, what: str) -> None:
    if held.role == "manage" and row.password_set_at is not None and not _count_managers(session, but=row.id):
        raise InputError(
            f"{row.name} is the only one who may manage accounts. Let somebody else manage, and have them set their "
            f"password, before {row.name} {what}."
        )


def _set_password(session: Session, row: AccountRow, hashed: str, *, at: datetime) -> None:
    row.password_set_at = at
    for table in (PasswordRow, LinkRow, KnownBrowserRow):
        session.execute(delete(table).where(table.account_id == row.id))
    _end_sessions(session, row.id)
    session.add(PasswordRow(account_id=row.id, hash=hashed))
    session.flush()


def _end_sessions(session: Session, account_id: int) -> None:
    session.execute(delete(SessionRow).where(SessionRow.account_id == account_id))


def _revoke_tokens(session: Session, account_id: int, *, at: datetime) -> None:
    live = TokenRow.made_by_id == account_id, TokenRow.revoked_at.is_(None)
    for token in session.scalars(select(TokenRow).where(*live)):
        token.revoked_at = at


def _link(session: Session, code_sha256: bytes, *, at: datetime) -> LinkRow | None:
    wanted = LinkRow.code_sha256 == code_sha256, LinkRow.expires_at > at
    return session.scalars(select(LinkRow).where(*wanted)).one_or_none()


def _account(session: Session, row: AccountRow, *, role: str | None = None) -> Account:
    seen = select(func.max(SessionRow.last_seen_at)).where(SessionRow.account_id == row.id)
    held = _role_row(session, row.id) if role is None else None
    return _plain_account(row, role=role if held is None else held.role, last_seen_at=session.scalar(seen))


def _plain_account(row: AccountRow, *, role: str | None, last_seen_at: datetime | None) -> Account:
    return Account(
        id=row.id,
        name=row.name,
        role=None if role is None else _known(role),
        created_at=row.created_at,
        password_set_at=row.password_set_at,
        last_seen_at=last_seen_at,
    )


def _known(role: str) -> Role:
    return next(one for one in ROLES if one == role)
