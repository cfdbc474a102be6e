"""The schema of the log: which versions of it there are, and bringing a database to one of them."""

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

__all__ = ["bring_to_schema", "known_schemas", "schema_of"]

MIGRATIONS = Path(__file__).parent / "migrations"


def known_schemas() -> tuple[str, ...]:
    """The schemas that this program can bring up to date, the latest first."""
    return tuple(script.revision for script in ScriptDirectory.from_config(_migrating()).walk_revisions())


def schema_of(connection: Connection) -> str | None:
    """Which schema a database has; None where it holds no log."""
    return MigrationContext.configure(connection).get_current_revision()


def bring_to_schema(connection: Connection, schema: str) -> None:
    """Migrate a database, over a connection whose transaction the caller ends."""
    config = _migrating()
    config.attributes["connection"] = connection
    command.upgrade(config, schema)


def _migrating() -> Config:
    config = Config()
    config.set_main_option("script_location", MIGRATIONS.as_posix().replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config
