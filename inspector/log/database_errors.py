"""What goes wrong in a database, told alike whether SQLAlchemy asked it or its driver was used past it."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection
from sqlalchemy.exc import DatabaseError, DBAPIError

__all__ = ["said_by", "told_as_by_sqlalchemy"]


def said_by(error: DatabaseError) -> str:
    """What a database said was wrong, without what it adds on further lines."""
    return str(error.orig).strip().partition("\n")[0].rstrip(".")


@contextmanager
def told_as_by_sqlalchemy(connection: Connection) -> Iterator[None]:
    """Turn errors of the driver of a connection into SQLAlchemy's, which all callers know."""
    kind: Any = connection.dialect.loaded_dbapi.Error
    try:
        yield
    except kind as error:
        raise DBAPIError.instance(None, None, error, kind, dialect=connection.dialect) from error
