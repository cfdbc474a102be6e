"""Indexes and references of a new database, made when its rows are there: else each row is looked up in each."""

from sqlalchemy import Connection

__all__ = ["do_as_it_stands", "drop_indexes"]

# Kept as constraints: keys, which rows come in the order of, and what is unique.
_SQLITE_INDEXES = "SELECT name, sql FROM sqlite_master WHERE type = 'index' AND sql IS NOT NULL ORDER BY name"
_SERVER_INDEXES = """
SELECT quote_ident(relname), pg_get_indexdef(indexrelid)
FROM pg_index JOIN pg_class ON pg_class.oid = indexrelid
WHERE relnamespace = current_schema()::regnamespace
    AND NOT EXISTS (SELECT FROM pg_constraint WHERE conindid = indexrelid)
ORDER BY relname
"""
_SERVER_REFERENCES = """
SELECT conrelid::regclass, quote_ident(conname), pg_get_constraintdef(oid)
FROM pg_constraint WHERE contype = 'f' AND connamespace = current_schema()::regnamespace
ORDER BY conname
"""
# What sorts for one index may take; the server's own setting may be a fraction of it.
_SORTING_MB = 256


def drop_indexes(connection: Connection) -> tuple[str, ...]:
    """Drop all indexes that hold no constraint, and of a server's database all references as well.

    References in SQLite are part of their table; whether they are looked up is a setting.

    Parameters
    ----------
    connection : Connection
        In the transaction in which they are made again: nobody else sees the database without them.

    Returns
    -------
    remaking : tuple of str
        Statements that make them again, in this order, for `do_as_it_stands`. One of a reference that leads nowhere
        raises `sqlalchemy.exc.IntegrityError`.
    """
    if connection.dialect.name == "sqlite":
        indexes = connection.exec_driver_sql(_SQLITE_INDEXES).all()
        for name, _ in indexes:
            do_as_it_stands(connection, f'DROP INDEX "{name}"')
        return tuple(made for _, made in indexes)
    references = connection.exec_driver_sql(_SERVER_REFERENCES).all()
    for of, name, _ in references:
        do_as_it_stands(connection, f"ALTER TABLE {of} DROP CONSTRAINT {name}")
    indexes = connection.exec_driver_sql(_SERVER_INDEXES).all()
    for name, _ in indexes:
        do_as_it_stands(connection, f"DROP INDEX {name}")
    do_as_it_stands(connection, f"SET LOCAL maintenance_work_mem = '{_SORTING_MB}MB'")
    remade = (f"ALTER TABLE {of} ADD CONSTRAINT {name} {made}" for of, name, made in references)
    return (*(made for _, made in indexes), *remade)


def do_as_it_stands(connection: Connection, statement: str) -> None:
    """Have a statement done that the database itself told: no sign in it stands for a value."""
    connection.exec_driver_sql(statement, execution_options={"no_parameters": True})
