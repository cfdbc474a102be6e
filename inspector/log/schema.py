"""The schema of the log: which versions of it there are, and bringing a database to one of them."""

from pathlib import Path

from sqlalchemy import Connection, column, inspect, select, table

__all__ = ["bring_to_schema", "known_schemas", "schema_of"]

MIGRATIONS = Path(__file__).parent / "migrations"
# As Alembic keeps it.
_VERSION = table("alembic_version", column("version_num"))


def known_schemas() -> tuple[str, ...]:
    """The schemas that this program can bring up to date, the latest first.

    Told by the names of the files, since to load all migrations takes longer than the rest of opening a log.
    """
    return tuple(sorted((file.stem.partition("_")[0] for file in MIGRATIONS.glob("versions/*.py")), reverse=True))


def schema_of(connection: Connection) -> str | None:
    """Which schema a database has; None where it holds no log."""
    if not inspect(connection).has_table(_VERSION.name):
        return None
    return connection.scalar(select(_VERSION.c.version_num))


def bring_to_schema(connection: Connection, schema: str) -> None:
    """Migrate a database, over a connection whose transaction the caller ends."""
    from alembic import command  # a log is brought to a schema once, and opened every day
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", MIGRATIONS.as_posix().replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, schema)
