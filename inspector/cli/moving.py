"""`inspector move`: the log from a file to a server's database, or back."""

from typing import Annotated

import typer

from inspector.cli.options import DatabaseOption, DataOption
from inspector.log import LogPlace, move_log
from inspector.settings import read_settings
from inspector.workshop import place_of

__all__ = ["move"]

_TO_FILE = "file"


def move(
    to: Annotated[
        str,
        typer.Option(
            "--to",
            metavar="URL",
            help="Empty database of a PostgreSQL server, as in postgresql+psycopg://user@host/name; or the word "
            "`file`, for one in the folder of --data.",
        ),
    ],
    data: DataOption = None,
    database: DatabaseOption = None,
) -> None:
    """Move the log into another database, and find each row there. Photos stay where they are.

    End what serves or records first: nobody can write meanwhile, and what is written to the old one later is not in the
    new one. Nothing is written over, and the old one stays as it is.

    Example: inspector move --to postgresql+psycopg://inspector@hall-1/inspector
    """
    place = place_of(read_settings(data_dir=data, database=database))
    target = LogPlace(place.folder, None if to == _TO_FILE else to)
    copied = move_log(place, to=target.database)
    for table in copied:
        if table.rows:
            typer.echo(f"{table.name}: {table.rows} rows, SHA-256 {table.sha256[:16]}")
    typer.echo(f"{sum(table.rows for table in copied)} rows were moved into {target}, and each was found there again.")
    if target.database is None:
        typer.echo("From now on leave --database and INSPECTOR_DATABASE out.")
    else:
        typer.echo("From now on name it with --database or INSPECTOR_DATABASE, and check it with: inspector check")
