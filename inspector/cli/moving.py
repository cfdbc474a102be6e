"""`inspector move`: the log from a file to a server's database, its photos from a folder to a store, or back."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from typing import Annotated

import typer

from inspector.cli.failing import FAILED, WrongUsageError, warn
from inspector.cli.options import DatabaseOption, DataOption, PhotosOption
from inspector.cli.progress import Advance, progress
from inspector.cli.words import count_words
from inspector.log import CopyStep, LogPlace, MovedPhoto, ToldOfCopy, move_log, move_photos
from inspector.settings import read_settings
from inspector.workshop import place_of

__all__ = ["move"]

_TO_FILE = "file"
_TO_FOLDER = "folder"
_DOING = {"rows": "Moving rows", "indexes": "Making indexes", "comparison": "Comparing rows"}
# As a shell has it of what was ended by Ctrl+C: 128 and the number of the signal (POSIX).
_CUT_SHORT = 130


def move(
    to: Annotated[
        str | None,
        typer.Option(
            "--to",
            metavar="URL",
            help="Empty database of a PostgreSQL server, as in postgresql+psycopg://user@host/name; or the word "
            "`file`, for one in the folder of --data.",
        ),
    ] = None,
    photos_to: Annotated[
        str | None,
        typer.Option(
            "--photos-to",
            metavar="URL",
            help="Place for the photos in an object store, as in s3://bucket/prefix; or the word `folder`, for the "
            "one in the folder of --data.",
        ),
    ] = None,
    data: DataOption = None,
    database: DatabaseOption = None,
    store: PhotosOption = None,
) -> None:
    """Move the log into another database, or its photos into another place, and find each row or photo there.

    End what serves or records first: nobody can write to the log while its rows are moved, and what is added to the old
    place later is not in the new one. Nothing is written over, and the old one stays as it is. Photos that were moved
    before a move was cut short are not sent again.

    Example: inspector move --photos-to s3://workshop/photos
    """
    if to is None and photos_to is None:
        raise WrongUsageError("Say where the log is to go with --to, or where its photos are to go with --photos-to.")
    place = place_of(read_settings(data_dir=data, database=database, photos=store))
    whole = photos_to is None or _move_photos(place, None if photos_to == _TO_FOLDER else photos_to)
    if to is not None:
        _move_rows(place, None if to == _TO_FILE else to)
    if not whole:
        raise typer.Exit(FAILED)


def _move_photos(place: LogPlace, to: str | None) -> bool:
    """Move all photos, and tell whether each of them went."""
    moved: list[MovedPhoto] = []
    with ExitStack() as stack:
        advance: Advance | None = None
        for photo in move_photos(place, to=to):
            moved.append(photo)
            advance = advance or stack.enter_context(progress("Moving photos", total=photo.of))
            advance()
    left_out = [photo.left_out for photo in moved if photo.left_out is not None]
    for sentence in left_out:
        warn(f"Not moved: {sentence}")
    typer.echo(
        f"{count_words(len(moved) - len(left_out), 'photo')}, {sum(photo.byte_count for photo in moved) / 1e6:.1f} MB, "
        f"were moved into {to or place.folder}, and each was found there again."
    )
    if to is None:
        typer.echo("From now on leave --photos and INSPECTOR_PHOTOS out.")
    else:
        typer.echo("From now on name it with --photos or INSPECTOR_PHOTOS, and check it with: inspector check")
    return not left_out


def _move_rows(place: LogPlace, to: str | None) -> None:
    target = replace(place, database=to)
    try:
        with _telling() as told:
            copied = move_log(place, to=target.database, told=told)
    except KeyboardInterrupt:
        warn(
            "The move was cut short. The log is as it was, and the new place holds nothing of it. Start again with the "
            "same command."
        )
        raise typer.Exit(_CUT_SHORT) from None
    for table in copied:
        if table.rows:
            typer.echo(f"{table.name}: {table.rows} rows, SHA-256 {table.sha256[:16]}")
    typer.echo(f"{sum(table.rows for table in copied)} rows were moved into {target}, and each was found there again.")
    if target.database is None:
        typer.echo("From now on leave --database and INSPECTOR_DATABASE out.")
    else:
        typer.echo("From now on name it with --database or INSPECTOR_DATABASE, and check it with: inspector check")


@contextmanager
def _telling() -> Iterator[ToldOfCopy]:
    """Show how far each step of the copy is."""
    with ExitStack() as stack:
        advance: Advance | None = None
        before: CopyStep | None = None

        def tell(step: CopyStep) -> None:
            nonlocal advance, before
            if before is None or before.doing != step.doing or advance is None:
                stack.close()
                advance, before = stack.enter_context(progress(_DOING[step.doing], total=step.of)), None
            advance(step.done - (0 if before is None else before.done))
            before = step

        yield tell
