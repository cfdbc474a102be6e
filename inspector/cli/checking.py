"""`inspector check`: whether the log and its photos are whole."""

import json
from dataclasses import asdict

import typer

from inspector.cli.failing import FAILED, warn
from inspector.cli.options import DatabaseOption, DataOption, JsonFlag, PhotosOption
from inspector.cli.words import count_words
from inspector.log import check_log
from inspector.settings import read_settings
from inspector.workshop import place_of

__all__ = ["check"]

_MOST_SHOWN = 20


def check(
    as_json: JsonFlag = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    store: PhotosOption = None,
) -> None:
    """Check that the log is whole: database, references between rows, every photo's content, and the history.

    Nothing is changed. Exit status 1 means that something is wrong; each sentence says what to do about it. Note the
    code of the history somewhere else: as long as it comes up again, nobody has written the history anew.

    Example: inspector check
    """
    place = place_of(read_settings(data_dir=data, database=database, photos=store))
    found = check_log(place)
    if as_json:
        typer.echo(json.dumps(asdict(found), indent=2))
    else:
        for trouble in found.troubles[:_MOST_SHOWN]:
            warn(f"{trouble.what} {trouble.to_do}")
        if len(found.troubles) > _MOST_SHOWN:
            warn(f"... and {len(found.troubles) - _MOST_SHOWN} more: see them with --json.")
        for note in found.notes:
            typer.echo(f"Note: {note}")
        verdict = f"{count_words(len(found.troubles), 'thing')} wrong" if found.troubles else "all is whole"
        typer.echo(
            f"{place}: {verdict}. {count_words(found.photos, 'photo')}, {found.byte_count / 1e6:.1f} MB; "
            f"schema {found.schema or 'unknown'}; {count_words(found.changes, 'change')} in the history, "
            f"code {found.last_link[:16] or 'none'}."
        )
    if found.troubles:
        raise typer.Exit(FAILED)
