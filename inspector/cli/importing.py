"""`inspector import`: pieces from the spreadsheet that a workshop keeps already."""

from pathlib import Path
from typing import Annotated

import typer

from inspector.cli.failing import FAILED, warn
from inspector.cli.options import DatabaseOption, DataOption, SiteOption, read_file
from inspector.cli.surroundings import open_workshop
from inspector.cli.words import count_words
from inspector.workshop import ImportedPieces

__all__ = ["import_pieces"]

# Of lines that are logged all the same.
_MOST_SHOWN = 20


def import_pieces(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE.csv", help="CSV, UTF-8, commas between columns.")],
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Take in pieces from a spreadsheet, one a line, all or nothing.

    The first line is `mold,poured_at,demolded_at,temperature_c,wet_cured_until_h,defects`. Times are ISO 8601;
    temperature and wet cure may be empty; defects are empty for a good piece, else kinds separated by `;`. Molds that
    are not known are made. Lines that cannot be used are told with number and reason, and then nothing is logged. Lines
    that were imported before are left out, so that a spreadsheet which grew can be taken in again.

    Example: inspector import pieces.csv
    """
    content = read_file(file)
    with open_workshop(context, data, database, site) as workshop:
        result = workshop.import_pieces(content, name=file.name)
    if result.imported is None:
        for refused in result.refused:
            warn(f"{file.name}, line {refused.line}: {refused.reason}")
        warn(
            f"{count_words(len(result.refused), 'line')} refused: nothing of {file.name} is logged. Correct and retry."
        )
        raise typer.Exit(FAILED)
    _show(file, result.imported)
    for note in result.notes:
        typer.echo(f"  Note: {note}")


def _show(file: Path, imported: ImportedPieces) -> None:
    pours = count_words(imported.new_pours, "new pour")
    typer.echo(f"{file.name}: {count_words(len(imported.piece_ids), 'piece')} added, {pours}.")
    if imported.new_molds:
        typer.echo(f"  New molds: {', '.join(imported.new_molds)}.")
    if imported.in_log_before:
        typer.echo(f"  {count_words(len(imported.in_log_before), 'line')} left out: imported before.")
    if imported.look_alikes:
        lines = ", ".join(map(str, imported.look_alikes[:_MOST_SHOWN]))
        more = ", ..." if len(imported.look_alikes) > _MOST_SHOWN else ""
        typer.echo(
            f"  Note: of the mold, pour and demolding of line {lines}{more} another piece was in the log, of which "
            "something else is said. If they are the same pieces, they are in the log twice now."
        )
