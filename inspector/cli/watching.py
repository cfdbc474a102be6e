"""`inspector watch`: record photos as they come into a folder."""

from pathlib import Path
from typing import Annotated

import typer

from inspector.cli.failing import WrongUsageError, warn
from inspector.cli.options import DatabaseOption, DataOption, EngineOption, PhotosOption, SiteOption
from inspector.cli.recording import Said, record_photos, refuse_what_never_fits
from inspector.cli.surroundings import choose_engine, open_workshop, surroundings
from inspector.cli.words import count_words
from inspector.workshop import FolderWatch, list_photo_files

__all__ = ["watch"]

_EVERY_S = 2.0
# A file must not change over this many looks.
_LOOKS_TO_SETTLE = 2


def watch(
    context: typer.Context,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder that photos come into.")],
    mold: Annotated[
        str | None,
        typer.Option(
            "--mold", metavar="NAME", help="All pieces come out of this mold. Default: recognise it photo by photo."
        ),
    ] = None,
    pour: Annotated[
        int | None,
        typer.Option("--pour", metavar="N", help="All pieces were cast in this pour; without it no age is known."),
    ] = None,
    every_s: Annotated[
        float, typer.Option("--every", min=0.2, metavar="SECONDS", help="How often the folder is looked at.")
    ] = _EVERY_S,
    engine: EngineOption = None,
    data: DataOption = None,
    database: DatabaseOption = None,
    store: PhotosOption = None,
    site: SiteOption = None,
) -> None:
    """Record photos as they come into a folder, until Ctrl+C.

    Those that are in it already are recorded first; what was logged before is not logged again. A photo is taken once
    its file has stopped growing and can be decoded to its end. One that stays broken, or whose mold is not sure, is
    told once and left alone. Nothing in the folder is changed. Folders in it and hidden files are not looked at.

    Example: inspector watch "phone photos" --pour 12
    """
    if not folder.is_dir():
        raise WrongUsageError(f"{folder} is no folder. Name the one that your photos come into.")
    around = surroundings(context)
    inspected = failed = 0
    with open_workshop(context, data, database, site, store, engine=choose_engine(context, engine)) as workshop:
        refuse_what_never_fits(workshop, mold=mold, pour=pour)
        looking = FolderWatch(
            folder,
            settle_s=_LOOKS_TO_SETTLE * every_s,
            is_whole=workshop.is_whole_photo,
            list_files=list_photo_files,
            clock=around.clock,
        )
        typer.echo(f"Watching {folder}, looking every {every_s:g} s. Stop with Ctrl+C.")
        away = False
        try:
            while True:
                try:
                    photos = looking.look()
                    away = False
                except OSError as error:
                    photos = ()
                    if not away:
                        warn(f"{folder} cannot be read now: {error.strerror or error}. Waiting for it to come back.")
                    away = True
                if photos:
                    outcomes = record_photos(workshop, photos, Said(mold=mold, pour=pour))
                    inspected += sum(outcomes)
                    failed += len(outcomes) - sum(outcomes)
                around.wait(every_s)
        except KeyboardInterrupt:
            not_done = f", {failed} not" if failed else ""
            typer.echo(f"Stopped: {count_words(inspected, 'photo')} inspected{not_done}.")
