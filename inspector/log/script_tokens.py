"""Tokens by which scripts name themselves."""

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspector.errors import InputError
from inspector.log.access_records import Role, ScriptToken
from inspector.log.access_tables import TokenRow, TokenSecretRow
from inspector.log.opening import Log

__all__ = ["add_token", "find_token", "list_tokens", "revoke_token", "touch_token"]


def add_token(
    log: Log, name: str, code_sha256: bytes, *, role: Role, made_by_id: int | None, at: datetime
) -> ScriptToken:
    """Add a token.

    Raises
    ------
    InputError
        If another token of this name is in use.
    """
    with log.writing() as session:
        if session.scalar(select(TokenRow.id).where(TokenRow.name == name, TokenRow.revoked_at.is_(None))) is not None:
            raise InputError(f"There is a token {name} already. Revoke it first, or choose another name.")
        row = TokenRow(name=name, role=role, made_by_id=made_by_id, created_at=at)
        session.add(row)
        session.flush()
        session.add(TokenSecretRow(token_id=row.id, code_sha256=code_sha256))
        session.flush()
        return _token(session, row)


def list_tokens(log: Log) -> tuple[ScriptToken, ...]:
    """List the tokens that can be used, by name."""
    with log.reading() as session:
        rows = session.scalars(select(TokenRow).where(TokenRow.revoked_at.is_(None)).order_by(TokenRow.name))
        return tuple(_token(session, row) for row in rows)


def find_token(log: Log, code_sha256: bytes) -> ScriptToken | None:
    """Find the token of a code, unless it was revoked."""
    with log.reading() as session:
        row = session.scalars(
            select(TokenRow)
            .join(TokenSecretRow, TokenSecretRow.token_id == TokenRow.id)
            .where(TokenSecretRow.code_sha256 == code_sha256, TokenRow.revoked_at.is_(None))
        ).one_or_none()
        return None if row is None else _token(session, row)


def touch_token(log: Log, token_id: int, *, at: datetime) -> None:
    """Note that a token was used."""
    with log.writing() as session:
        session.scalars(select(TokenSecretRow).where(TokenSecretRow.token_id == token_id)).one().last_used_at = at


def revoke_token(log: Log, token_id: int, *, at: datetime) -> ScriptToken:
    """Let a token be of no use any more.

    Raises
    ------
    InputError
        If there is no such token.
    """
    with log.writing() as session:
        row = session.get(TokenRow, token_id)
        if row is None:
            raise InputError(f"There is no token {token_id}. Look at the list of tokens again.")
        row.revoked_at = row.revoked_at or at
        session.flush()
        return _token(session, row)


def _token(session: Session, row: TokenRow) -> ScriptToken:
    used = select(TokenSecretRow.last_used_at).where(TokenSecretRow.token_id == row.id)
    return ScriptToken(
        id=row.id,
        name=row.name,
        site_id=row.site_id,
        role=row.role,  # type: ignore[arg-type]  # the database holds no other
        made_by=None if row.made_by is None else row.made_by.name,
        created_at=row.created_at,
        last_used_at=session.scalar(used),
        revoked_at=row.revoked_at,
    )
