"""`inspector refit`: what is learnt from the whole log at once, for pages that cannot wait for it."""

from datetime import datetime
from typing import Annotated

import typer

from inspector.cli.options import DatabaseOption, DataOption, SiteOption
from inspector.cli.surroundings import open_workshop
from inspector.cli.words import count_words

__all__ = ["refit"]


def refit(
    context: typer.Context,
    rebuild: Annotated[
        bool, typer.Option("--rebuild", help="First work out anew what lists know of each piece: if `check` says so.")
    ] = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Learn from all molds anew: windows, and what molds tell about each other.

    Pages do that by themselves as long as a log has 20,000 pieces or fewer. Have it run each night beyond that.
    Windows that changed are written down with the evidence that caused it.

    Example: inspector refit
    """
    with open_workshop(context, data, database, site) as workshop:
        if rebuild:
            workshop.work_out_rollups()
        changed = workshop.losses.refit(now=datetime.now().astimezone())
        molds = len(workshop.molds())
    typer.echo(f"Worked out anew: {count_words(molds, 'mold')}.")
    if changed:
        typer.echo(f"Written down as changed: {', '.join(change.window.mold for change in changed)}.")
