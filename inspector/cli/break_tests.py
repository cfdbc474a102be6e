"""`inspector breaktest`: scraps of a pour or a mix, snapped by hand or crushed in a press."""

import json
from datetime import datetime
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from inspector.cli.failing import WrongUsageError
from inspector.cli.options import DatabaseOption, DataOption, JsonFlag, SiteOption, WhyOption, read_time
from inspector.cli.surroundings import open_workshop
from inspector.cli.words import age_words, time_words
from inspector.workshop import ASSUMED_DEGC, BREAK_WORDS, BreakTest, BreakWord

__all__ = ["breaktest_app"]

breaktest_app = typer.Typer(
    no_args_is_help=True, help="Break tests: scraps of your own mix, by hand or in a press, that move its strength."
)

_SHORT_WORDS: dict[str, BreakWord] = {
    "crumbles": "crumbles",
    "sandy": "snaps with a sandy face",
    "clean": "snaps clean",
}


def _read_word(text: str) -> BreakWord:
    word = " ".join(text.split()).casefold()
    said = _SHORT_WORDS.get(word) or next((known for known in BREAK_WORDS if known == word), None)
    if said is None:
        raise typer.BadParameter(
            f"{text!r} is none of the three words for a scrap broken by hand. Write crumbles, sandy (it snaps with a "
            "sandy face) or clean."
        )
    return said


@breaktest_app.command("add")
def add(
    context: typer.Context,
    pour: Annotated[int | None, typer.Option("--pour", metavar="N", help="The pour that the scrap is of.")] = None,
    mix: Annotated[
        str | None, typer.Option("--mix", metavar="NAME", help="The mix, where it is a test by itself, as a cube.")
    ] = None,
    mpa: Annotated[float | None, typer.Option("--mpa", metavar="MPA", help="Result of a press, in MPa.")] = None,
    word: Annotated[
        str | None,
        typer.Option(
            "--by-hand",
            metavar="crumbles|sandy|clean",
            help="Result by hand: crumbles, snaps with a sandy face, or snaps clean.",
        ),
    ] = None,
    at: Annotated[
        datetime | None,
        typer.Option("--at", parser=read_time, metavar="TIME", help="When it was broken, ISO 8601. Default: now."),
    ] = None,
    age_h: Annotated[
        float | None, typer.Option("--age-h", metavar="H", help="Age of a test of a mix, in hours.")
    ] = None,
    temperature_c: Annotated[
        float | None,
        typer.Option("--temperature-c", metavar="DEGC", help="At which a test of a mix was kept. Default: 20."),
    ] = None,
    note: Annotated[str, typer.Option("--note", help="Anything worth keeping.")] = "",
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Write down how a scrap broke. Wear goggles: splinters fly, from a press above all.

    A scrap of a pour is as old as the pour, at its temperatures. A test of a mix by itself says its age.

    Example: inspector breaktest add --pour 12 --by-hand sandy

    Example: inspector breaktest add --mix grey --age-h 672 --mpa 34.5
    """
    if (pour is None) == (mix is None):
        raise WrongUsageError("Say what was broken: a scrap of a pour (--pour N) or a test of a mix (--mix NAME).")
    if (mpa is None) == (word is None):
        raise WrongUsageError("Say how it broke: in a press (--mpa) or by hand (--by-hand), one of the two.")
    if pour is not None and (age_h is not None or temperature_c is not None):
        raise WrongUsageError("A scrap is as old and as warm as its pour: leave --age-h and --temperature-c out.")
    if mix is not None and age_h is None:
        raise WrongUsageError("How old was the test of the mix? Give --age-h, the hours since it was made.")
    said = None if word is None else _read_word(word)
    tested_at = at or datetime.now().astimezone()
    with open_workshop(context, data, database, site) as workshop:
        if pour is not None:
            test = workshop.curing.add_pour_break_test(
                pour, tested_at=tested_at, strength_mpa=mpa, word=said, note=note
            )
        else:
            test = workshop.curing.add_mix_break_test(
                str(mix),
                age_h=age_h or 0.0,
                tested_at=tested_at,
                cure_degc=ASSUMED_DEGC if temperature_c is None else temperature_c,
                strength_mpa=mpa,
                word=said,
                note=note,
            )
    typer.echo(f"Break test {test.id} of {_what(test)}, {age_words(test.age_h)} old: {_result(test)}.")
    if test.mix is None:
        typer.echo(f"  Note: the mix of pour {test.pour_id} is not known, so the test moves no curve.")


@breaktest_app.command("list")
def list_tests(
    context: typer.Context,
    mix: Annotated[str | None, typer.Option("--mix", metavar="NAME", help="Only this mix.")] = None,
    as_json: JsonFlag = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """List break tests, those that were withdrawn among them.

    Example: inspector breaktest list --mix grey
    """
    with open_workshop(context, data, database, site) as workshop:
        tests = workshop.curing.break_tests(mix=mix)
    if as_json:
        typer.echo(
            json.dumps(
                [
                    {
                        "test": test.id,
                        "pour": test.pour_id,
                        "mix": test.mix,
                        "tested_at": test.tested_at.isoformat(),
                        "age_h": round(test.age_h, 3),
                        "temperature_c": test.cure_degc,
                        "mpa": test.strength_mpa,
                        "by_hand": test.word,
                        "note": test.note,
                        "withdrawn": test.withdrawn_why,
                    }
                    for test in tests
                ],
                indent=2,
            )
        )
        return
    if not tests:
        typer.echo("No break tests yet. Add one with `inspector breaktest add`.")
        return
    table = Table("test", "of", "mix", "tested at", "age", "result", "note")
    for test in tests:
        withdrawn = "" if test.withdrawn_why is None else f"withdrawn: {test.withdrawn_why}"
        table.add_row(
            str(test.id),
            _what(test),
            test.mix or "unknown",
            time_words(test.tested_at),
            age_words(test.age_h),
            _result(test),
            "; ".join(part for part in (test.note, withdrawn) if part),
        )
    Console().print(table)


@breaktest_app.command("withdraw")
def withdraw(
    context: typer.Context,
    test: Annotated[int, typer.Argument(metavar="N", help="The break test.")],
    why: WhyOption,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Let a break test that was written down by mistake count no longer; it stays on record.

    Example: inspector breaktest withdraw 4 --why "it was of the buff mix"
    """
    with open_workshop(context, data, database, site) as workshop:
        workshop.curing.withdraw_break_test(test, why=why)
    typer.echo(f"Break test {test} counts no longer. It stays on record.")


def _what(test: BreakTest) -> str:
    return f"mix {test.mix}" if test.pour_id is None else f"pour {test.pour_id}"


def _result(test: BreakTest) -> str:
    return f"{test.strength_mpa:g} MPa" if test.word is None else test.word
