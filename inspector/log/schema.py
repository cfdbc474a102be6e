"""The schema of the log: which versions of it there are, and bringing a database to one of them.

A migration may say of itself, in its file, what it leaves as it is, so that a large log need not be looked through:

    changes_rows_of = ()      # the tables whose rows, as the history tells of them, it changes
    makes_rollups_stale = False   # whether what is worked out from the log has to be worked out anew after it

One that does not is taken to change any row, and all that is worked out from them.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, column, inspect, select, table

if TYPE_CHECKING:
    from alembic.config import Config

__all__ = ["Steps", "bring_to_schema", "known_schemas", "schema_of", "steps_from"]

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


@dataclass(frozen=True, slots=True)
class Steps:
    """What migrations do to the rows of a log, as each says of itself."""

    tables: frozenset[str] | None
    """Those whose rows they change, as the history tells of them; None: it may be any."""
    stale_rollups: bool
    """Whether what is worked out from the log has to be worked out anew."""


def steps_from(schema: str | None) -> Steps:
    """Tell what the migrations from a schema to the latest one do; None: from the beginning."""
    from alembic.script import ScriptDirectory

    scripts = ScriptDirectory.from_config(_config())
    modules = [script.module for script in scripts.iterate_revisions("head", schema or "base")]
    changed = [getattr(module, "changes_rows_of", None) for module in modules]
    tables = frozenset(name for names in changed if names is not None for name in names)
    return Steps(
        tables=None if None in changed else tables,
        stale_rollups=any(getattr(module, "makes_rollups_stale", True) for module in modules),
    )


def bring_to_schema(connection: Connection, schema: str) -> None:
    """Migrate a database, over a connection whose transaction the caller ends."""
    from alembic import command  # a log is brought to a schema once, and opened every day

    config = _config()
    config.attributes["connection"] = connection
    command.upgrade(config, schema)


def _config() -> "Config":
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", MIGRATIONS.as_posix().replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config
