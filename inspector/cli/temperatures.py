"""`inspector temperature` and `inspector wetcure`: how warm pours were, how warm it will be, how long they were wet."""

import json
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from inspector.cli.failing import WrongUsageError
from inspector.cli.options import DatabaseOption, DataOption, JsonFlag, SiteOption, WhyOption, read_file, read_time
from inspector.cli.surroundings import open_workshop
from inspector.cli.words import count_words, time_words
from inspector.workshop import KeptTemperature, TemperatureRecord

__all__ = ["temperature_app", "wetcure"]

temperature_app = typer.Typer(no_args_is_help=True, help="Temperatures of pours, and those that are expected.")

PourOption = Annotated[int, typer.Option("--pour", metavar="N", help="The pour.")]
DegcOption = Annotated[float, typer.Option("--temperature-c", metavar="DEGC", help="Temperature in degC.")]


@temperature_app.command("add")
def add(
    context: typer.Context,
    pour: PourOption,
    temperature_c: DegcOption,
    at: Annotated[
        datetime | None,
        typer.Option(
            "--at", parser=read_time, metavar="TIME", help="When it was read, ISO 8601. Default: so all the while."
        ),
    ] = None,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Write down how warm a pour was: all the while, or at one time.

    Readings count before a temperature for all the while; the latest word counts.

    Example: inspector temperature add --pour 12 --temperature-c 16.5 --at 2026-05-05T07:30
    """
    with open_workshop(context, data, database, site) as workshop:
        kept = workshop.curing.add_temperature(pour, temperature_c, at=at)
    _show_kept(kept)


@temperature_app.command("import")
def import_file(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE.csv", help="What the logger wrote: a time, and degC or degF.")],
    pour: PourOption,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Take in a temperature logger's file for a pour, all or nothing.

    The first line names the columns, a time and degC or degF; times are ISO 8601. A gap of more than six hours or a
    line that makes no sense is refused with its number.

    Example: inspector temperature import logger.csv --pour 12
    """
    content = read_file(file)
    with open_workshop(context, data, database, site) as workshop:
        kept = workshop.curing.import_temperatures(content, name=file.name, pour_id=pour)
    _show_kept(kept)


@temperature_app.command("expect")
def expect(
    context: typer.Context,
    temperature_c: DegcOption,
    from_at: Annotated[
        datetime | None,
        typer.Option("--from", parser=read_time, metavar="TIME", help="From when on, ISO 8601. Default: from now on."),
    ] = None,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Say how warm the workshop is expected to be; it is taken where nothing is written down, and for what is to come.

    Example: inspector temperature expect --temperature-c 12 --from 2026-11-01
    """
    with open_workshop(context, data, database, site) as workshop:
        expected = workshop.curing.expect_temperature(temperature_c, from_at=from_at or datetime.now().astimezone())
    typer.echo(f"Expected from {time_words(expected.from_at)} on: {expected.temperature_degc:g} degC.")


@temperature_app.command("list")
def list_temperatures(
    context: typer.Context,
    pour: Annotated[
        int | None, typer.Option("--pour", metavar="N", help="Of this pour. Default: what is expected.")
    ] = None,
    as_json: JsonFlag = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """List what was written down about a pour's temperature or, without a pour, what is expected.

    Example: inspector temperature list --pour 12
    """
    with open_workshop(context, data, database, site) as workshop:
        if pour is None:
            expected = workshop.curing.forecast().expected
            rows = [{"from": item.from_at.isoformat(), "temperature_c": item.temperature_degc} for item in expected]
            words: list[tuple[str, ...]] = [
                (time_words(item.from_at), f"{item.temperature_degc:g} degC") for item in expected
            ]
            table, nothing = Table("expected from", "temperature"), "No temperature is expected yet: 20 degC is taken."
        else:
            records = workshop.curing.temperatures(pour)
            rows = [_record_object(record) for record in records]
            words = [_record_words(record) for record in records]
            table = Table("record", "temperature", "from", "to", "source", "note")
            nothing = f"Nobody wrote down how warm pour {pour} was."
    if as_json:
        typer.echo(json.dumps(rows, indent=2))
    elif not words:
        typer.echo(nothing)
    else:
        for cells in words:
            table.add_row(*cells)
        Console().print(table)


@temperature_app.command("withdraw")
def withdraw(
    context: typer.Context,
    record: Annotated[int, typer.Argument(metavar="N", help="The temperature record.")],
    why: WhyOption,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Let a temperature record that was written down by mistake count no longer; it stays on record.

    Example: inspector temperature withdraw 7 --why "the logger lay in the sun"
    """
    with open_workshop(context, data, database, site) as workshop:
        workshop.curing.withdraw_temperature(record, why=why)
    typer.echo(f"Temperature record {record} counts no longer. It stays on record.")


def wetcure(
    context: typer.Context,
    until_h: Annotated[float, typer.Option("--until-h", metavar="H", help="Hours since the pour.")],
    pour: Annotated[int | None, typer.Option("--pour", metavar="N", help="A whole pour.")] = None,
    piece: Annotated[int | None, typer.Option("--piece", metavar="N", help="One piece of the log.")] = None,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Write down until which age a pour, or one piece, was kept wet: sprayed, covered or under water.

    Example: inspector wetcure --pour 12 --until-h 72
    """
    if (pour is None) == (piece is None):
        raise WrongUsageError("Say what was kept wet: a pour (--pour N) or a piece (--piece N), one of the two.")
    with open_workshop(context, data, database, site) as workshop:
        workshop.curing.add_wet_cure(until_h=until_h, pour_id=pour, piece_id=piece)
    what = f"Pour {pour}" if piece is None else f"Piece {piece}"
    typer.echo(f"{what} was kept wet until {until_h:g} h after the pour.")


def _show_kept(kept: KeptTemperature) -> None:
    record = kept.record
    if record.constant_degc is not None:
        said = f"{record.constant_degc:g} degC all the while"
    else:
        degc = [reading.temperature_degc for reading in record.readings]
        span = f"{min(degc):g} degC" if len(degc) == 1 else f"{min(degc):.1f} to {max(degc):.1f} degC"
        said = f"{count_words(len(degc), 'reading')}, {span}"
    typer.echo(f"Temperature record {record.id} of pour {record.pour_id}: {said}.")
    for note in kept.notes:
        typer.echo(f"  Note: {note}")


def _record_object(record: TemperatureRecord) -> dict[str, object]:
    return {
        "record": record.id,
        "pour": record.pour_id,
        "temperature_c": record.constant_degc,
        "readings": [
            {"at": reading.at.isoformat(), "temperature_c": reading.temperature_degc} for reading in record.readings
        ],
        "source": record.source,
        "withdrawn": record.withdrawn_why,
    }


def _record_words(record: TemperatureRecord) -> tuple[str, ...]:
    withdrawn = "" if record.withdrawn_why is None else f"withdrawn: {record.withdrawn_why}"
    if record.constant_degc is not None:
        return str(record.id), f"{record.constant_degc:g} degC", "the pour", "", record.source, withdrawn
    degc = [reading.temperature_degc for reading in record.readings]
    return (
        str(record.id),
        f"{count_words(len(degc), 'reading')}, {min(degc):.1f} to {max(degc):.1f} degC",
        time_words(record.readings[0].at),
        time_words(record.readings[-1].at),
        record.source,
        withdrawn,
    )
