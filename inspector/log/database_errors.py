"""What goes wrong in a database, told alike whether SQLAlchemy asked it or its driver was used past it."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection
from sqlalchemy.exc import DatabaseError, DBAPIError

__all__ = ["said_by", "told_as_by_sqlalchemy"]


# PostgreSQL, appendix A: lock_not_available.
_NOT_ITS_TURN = "55P03"


def said_by(error: DatabaseError) -> str:
    """What a database said was wrong, without what it adds on further lines."""
    if getattr(error.orig, "sqlstate", None) == _NOT_ITS_TURN:
        return "another program has been writing to it, or one that was cut short has not ended there yet"
    return str(error.orig).strip().partition("\n")[0].rstrip(".")


@contextmanager
def told_as_by_sqlalchemy(connection: Connection) -> Iterator[None]:
    """Turn errors of the driver of a connection into SQLAlchemy's, which all callers know."""
    kind: Any = connection.dialect.loaded_dbapi.Error
    try:
        yield
    except kind as error:
        raise DBAPIError.instance(None, None, error, kind, dialect=connection.dialect) from error
