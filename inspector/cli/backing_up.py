"""`inspector backup` and `inspector restore`: the whole log in one file, and back."""

from pathlib import Path
from typing import Annotated

import typer

from inspector.cli.failing import FAILED, warn
from inspector.cli.options import DatabaseOption, DataOption, PhotosOption
from inspector.cli.words import count_words
from inspector.log import Backup, back_up, check_log, restore
from inspector.settings import read_settings
from inspector.workshop import place_of

__all__ = ["backup", "restore_backup"]


def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="New file for the backup, best on another disk.")],
    data: DataOption = None,
    database: DatabaseOption = None,
    store: PhotosOption = None,
) -> None:
    """Put the log and all its photos into one file, a ZIP archive. The pages may be served meanwhile.

    Every photo's content is checked on the way. The file is there complete, or not at all.

    Example: inspector backup /media/stick/workshop-2026-05-04.zip
    """
    made = back_up(place_of(read_settings(data_dir=data, database=database, photos=store)), file)
    typer.echo(f"{file}: {_contents(made)}.")
    if made.left_out:
        for sentence in made.left_out:
            warn(sentence)
        warn(f"{count_words(len(made.left_out), 'photo')} could not be put in. All else is in {file}.")
        raise typer.Exit(FAILED)


def restore_backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A file that `inspector backup` made.")],
    data: DataOption = None,
    database: DatabaseOption = None,
    store: PhotosOption = None,
) -> None:
    """Bring a backup back into a folder or database that holds no log. Every byte is checked; nothing is written over.

    A backup of a log in a folder can be restored into a server's database, and the other way round.

    Example: inspector restore workshop-2026-05-04.zip --data restored
    """
    place = place_of(read_settings(data_dir=data, database=database, photos=store))
    made = restore(file, place)
    typer.echo(f"{file} of {made.made_at.astimezone():%Y-%m-%d %H:%M} is restored into {place}: {_contents(made)}.")
    for sentence in made.left_out:
        warn(f"Not in the backup: {sentence}")
    wrong = len(check_log(place).troubles) - len(made.left_out)
    if wrong > 0:
        warn(f"{count_words(wrong, 'thing')} in it were wrong when it was made: see `inspector check`.")


def _contents(made: Backup) -> str:
    return f"the log and {count_words(made.photos, 'photo')}, {made.byte_count / 1e6:.1f} MB"
