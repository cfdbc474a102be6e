"""`inspector reinspect`: logged photos once more, after a change of the engine or of references."""

from contextlib import ExitStack
from datetime import datetime
from typing import Annotated

import typer

from inspector.cli.failing import FAILED, warn
from inspector.cli.options import (
    ClusterOption,
    DatabaseOption,
    DataOption,
    EngineOption,
    MoldOption,
    PhotosOption,
    SiteOption,
    read_time,
)
from inspector.cli.progress import progress
from inspector.cli.surroundings import choose_engine, open_workshop
from inspector.cli.words import count_words
from inspector.inspection.cluster import Cluster
from inspector.inspection.own_cores import OwnCores, cores_for

__all__ = ["reinspect"]

_MOST_SHOWN = 20


def reinspect(
    context: typer.Context,
    mold: MoldOption = None,
    since: Annotated[
        datetime | None,
        typer.Option("--since", parser=read_time, metavar="TIME", help="Only pieces demolded at this time or later."),
    ] = None,
    until: Annotated[
        datetime | None,
        typer.Option("--until", parser=read_time, metavar="TIME", help="Only pieces demolded before this time."),
    ] = None,
    cluster: ClusterOption = None,
    engine: EngineOption = None,
    data: DataOption = None,
    database: DatabaseOption = None,
    store: PhotosOption = None,
    site: SiteOption = None,
) -> None:
    """Inspect the photos in the log again where the engine or the references of their mold have changed since.

    The new inspection comes beside the old one, and counts from then on. What people said about findings, and what they
    outlined, stays and counts on; a mark that is found again where somebody has spoken already is not asked for again.
    What is done is not done again: a run that was cut short goes on where it was. On a cluster the workers read the
    photos themselves, so they need to reach the object store, or to see the folder of --data under the same path.

    Example: inspector reinspect --mold oak-leaf --cluster tcp://hall-1:8786
    """
    with (
        open_workshop(context, data, database, site, store, engine=choose_engine(context, engine)) as workshop,
        ExitStack() as stack,
    ):
        due = workshop.reinspecting.due(mold=mold, since=since, until=until)
        total = sum(len(of_mold.photos) for of_mold in due)
        workers = OwnCores(cores_for(total)) if cluster is None else stack.enter_context(Cluster(cluster))
        advance = stack.enter_context(progress("Inspecting again", total=total))
        done = unusable = 0
        failures = []
        for of_mold in due:
            for photo in workshop.reinspecting.run(of_mold, workers):
                if photo.inspection is None:
                    failures.append(f"{photo.name}: {photo.failure}")
                else:
                    done += 1
                    unusable += photo.inspection.status == "unusable"
                advance()
    for failure in failures[:_MOST_SHOWN]:
        warn(failure)
    if len(failures) > _MOST_SHOWN:
        warn(f"... and {len(failures) - _MOST_SHOWN} more.")
    if total == 0:
        typer.echo("Every photo was inspected by this engine and with these references already.")
    else:
        told = f", {unusable} of them could not be judged" if unusable else ""
        typer.echo(f"{count_words(done, 'photo')} {'was' if done == 1 else 'were'} inspected again{told}.")
    if failures:
        warn(f"{count_words(len(failures), 'photo')} could not be inspected. Do the same again when that is mended.")
        raise typer.Exit(FAILED)
