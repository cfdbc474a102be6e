"""`inspector inspect`: photos against references, without writing to any log."""

import json
import os
from collections import defaultdict
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.text import Text

from inspector.cli.failing import FAILED, WrongUsageError, warn
from inspector.cli.options import ClusterOption, DatabaseOption, DataOption, EngineOption, PhotosOption, SiteOption
from inspector.cli.progress import progress
from inspector.cli.surroundings import choose_engine, open_workshop
from inspector.cli.words import count_words, describe_finding
from inspector.errors import InspectorError
from inspector.inspection import MoldModel
from inspector.inspection.batch import InspectedFile, inspect_files, prepare_files
from inspector.inspection.cluster import Cluster
from inspector.inspection.engine import Engine

__all__ = ["inspect"]


def inspect(
    context: typer.Context,
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photos of pieces to inspect.")],
    reference: Annotated[
        list[Path] | None,
        typer.Option("--reference", metavar="REF", help="Photo of a good piece of the same mold; may be repeated."),
    ] = None,
    mold: Annotated[
        str | None, typer.Option("--mold", metavar="NAME", help="Take the references of this mold from the log.")
    ] = None,
    json_to: Annotated[
        str | None,
        typer.Option(
            "--json",
            metavar="FILE_OR_DIR",
            help="Write what was found as JSON: into a folder one file a photo, named after it; into a FILE.json "
            "one object, or an array for several photos.",
        ),
    ] = None,
    overlay: Annotated[
        Path | None,
        typer.Option("--overlay", metavar="DIR", help="Write a picture of each photo with what was found drawn on it."),
    ] = None,
    engine: EngineOption = None,
    cluster: ClusterOption = None,
    data: DataOption = None,
    database: DatabaseOption = None,
    store: PhotosOption = None,
    site: SiteOption = None,
) -> None:
    """Compare photos of pieces with photos of good pieces of the same mold.

    Nothing is logged. Exit status: 0 all inspected, 1 something went wrong with at least one photo (the
    others are still written), 2 wrong usage.

    Example: inspector inspect today/*.jpg --reference good-1.jpg --reference good-2.jpg --json out/ --overlay out/
    """
    if (reference is None) == (mold is None):
        raise WrongUsageError("Give the references either as photos (--reference) or by a mold in the log (--mold).")
    if (data is not None or database is not None or store is not None) and mold is None:
        raise WrongUsageError(
            "--data goes with --mold, as do --database and --photos: without it nothing is taken from a log."
        )
    target = _json_target(json_to)
    if overlay is not None or target.folder is not None:
        _refuse_same_stems(photos)
    _make_folders(target, overlay)
    chosen = choose_engine(context, engine)
    models = _models(context, chosen, reference, mold, data, database, site, store)

    results: list[InspectedFile] = []
    with ExitStack() as stack:
        workers = None if cluster is None else stack.enter_context(Cluster(cluster))
        advance = stack.enter_context(progress("Inspecting", total=len(photos)))
        for result in inspect_files(photos, models, engine=chosen, overlay_dir=overlay, workers=workers):
            if target.folder is not None:
                _write_json(target.folder / f"{result.path.stem}.json", result.inspection.as_json())
            results.append(result)
            advance()
    if target.file is not None:
        objects = [result.inspection.as_json() for result in results]
        _write_json(target.file, objects[0] if len(objects) == 1 else objects)
    _show(results)
    if any(result.inspection.status == "unusable" or result.overlay_error is not None for result in results):
        raise typer.Exit(FAILED)


@dataclass(frozen=True, slots=True)
class _JsonTarget:
    """Where JSON goes: into a folder, into one file, or nowhere."""

    folder: Path | None = None
    file: Path | None = None


def _json_target(text: str | None) -> _JsonTarget:
    if text is None:
        return _JsonTarget()
    path = Path(text)
    if path.is_dir() or text.endswith(("/", os.sep)) or path.suffix.lower() != ".json":
        return _JsonTarget(folder=path)
    return _JsonTarget(file=path)


def _refuse_same_stems(photos: Sequence[Path]) -> None:
    by_stem: dict[str, list[Path]] = defaultdict(list)
    for path in photos:
        by_stem[path.stem.casefold()].append(path)  # file systems of Windows and macOS do not tell case apart
    for same in by_stem.values():
        if len(same) > 1:
            raise WrongUsageError(
                f"{same[0]} and {same[1]} would be written to the same file, {same[0].stem}.json or its picture. "
                "Inspect them in two runs with different folders, or rename one."
            )


def _make_folders(target: _JsonTarget, overlay: Path | None) -> None:
    folders = [target.folder, None if target.file is None else target.file.parent, overlay]
    for folder in folders:
        if folder is not None:
            try:
                folder.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise WrongUsageError(f"The folder {folder} cannot be made: {error.strerror or error}.") from error


def _models(
    context: typer.Context,
    engine: Engine,
    paths: Sequence[Path] | None,
    mold: str | None,
    data: Path | None,
    database: str | None,
    site: str | None,
    store: str | None,
) -> tuple[MoldModel, ...]:
    if mold is not None:
        try:
            with open_workshop(context, data, database, site, store, engine=engine) as workshop:
                return workshop.models(mold)
        except InspectorError as error:
            raise WrongUsageError(str(error)) from error
    references, refused = prepare_files(paths or [], engine=engine)
    for reason in refused:
        warn(f"Left out as a reference: {reason}")
    if not references:
        raise WrongUsageError("None of the references can be used, so nothing was inspected.")
    model = engine.combine(references)
    for name in model.left_out:
        warn(f"Left out as a reference: {name} does not agree with the others. It may show another side or mold.")
    return (model,)


def _write_json(path: Path, content: object) -> None:
    try:
        path.write_text(json.dumps(content, indent=2) + "\n", encoding="utf-8")
    except OSError as error:
        raise InspectorError(f"{path} could not be written: {error.strerror or error}.") from error


def _show(results: Sequence[InspectedFile]) -> None:
    console = Console(soft_wrap=True, highlight=False)
    for result in results:
        inspection = result.inspection
        if inspection.status == "unusable":
            console.print(Text(f"{result.path}: not inspected. {inspection.reason}"))
        elif not inspection.findings:
            console.print(Text(f"{result.path}: nothing found"))
        else:
            console.print(Text(f"{result.path}: {count_words(len(inspection.findings), 'finding')}"))
        for finding in inspection.findings:
            console.print(Text(f"  {describe_finding(finding)}"))
        for warning in inspection.warnings:
            console.print(Text(f"  Note: {warning}"))
        if result.overlay_error is not None:
            warn(result.overlay_error)
