"""`inspector export`: pieces, outlines and photos in open formats, as one zip."""

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from inspector.cli.failing import FAILED, warn
from inspector.cli.options import DatabaseOption, DataOption, MoldOption, PhotosOption, SiteOption, read_month
from inspector.cli.surroundings import open_workshop
from inspector.cli.words import count_words
from inspector.errors import InputError, InspectorError
from inspector.log.durable_files import whole_file
from inspector.workshop import Month

__all__ = ["export"]


def export(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="New zip file to write.")],
    mold: MoldOption = None,
    month: Annotated[
        Month | None,
        typer.Option("--month", parser=read_month, metavar="MONTH", help="Only pieces of this month, as in 2026-03."),
    ] = None,
    with_place: Annotated[
        bool,
        typer.Option("--with-place", help="Photos byte for byte as they came in, with the place they were taken at."),
    ] = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    store: PhotosOption = None,
    site: SiteOption = None,
) -> None:
    """Write pieces as CSV, outlines as COCO JSON, and the photos into one zip, for other programs.

    To keep a copy of the log that can be restored, see `inspector backup`.

    Example: inspector export march.zip --mold oak-leaf --month 2026-03
    """
    if file.exists():
        raise InputError(f"{file} exists already. Name a new file; none is written over.")
    with open_workshop(context, data, database, site, store) as workshop:
        export = workshop.exporting.export(
            now=datetime.now().astimezone(), mold=mold, month=month, with_place=with_place
        )
        try:
            with whole_file(file) as part, part.open("wb") as out:
                for chunk in export.chunks:
                    out.write(chunk)
        except OSError as error:
            raise InspectorError(
                f"{file} could not be written: {error.strerror or error}. See that its folder exists, has room and may "
                "be written to."
            ) from error
    typer.echo(f"{file}: {count_words(export.pieces, 'piece')}, {file.stat().st_size / 1e6:.1f} MB.")
    if export.left_out:
        for sentence in export.left_out:
            warn(sentence)
        raise typer.Exit(FAILED)
