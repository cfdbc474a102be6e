"""`inspector strength`: how strong a casting is at an age, as a fraction of its 28-day strength."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Annotated

import typer

from inspector.cli.failing import WrongUsageError
from inspector.cli.options import DatabaseOption, DataOption, SiteOption
from inspector.cli.surroundings import open_workshop
from inspector.cli.words import percent
from inspector.curing import (
    WEAKEST_CHARACTERISTIC_MPA,
    BreakTestFit,
    CementClass,
    Rate,
    aci_bending_mpa,
    aci_curve,
    arrhenius_rate,
    characteristic_strength_mpa,
    constant_temperature,
    en_bending_mpa,
    en_curve,
    en_rate,
    en_tensile_mpa,
    equivalent_age_h,
    freiesleben_hansen_pedersen_rate,
    nurse_saul_rate,
    strength_band,
    temperature_warnings,
    tensile_fraction,
)
from inspector.errors import InputError
from inspector.workshop import CEMENT_CLASSES

__all__ = ["strength"]

_MODELS = ("en", "aci")
_MATURITIES: dict[str, Rate] = {
    "en": en_rate,
    "astm": arrhenius_rate,
    "fhp": freiesleben_hansen_pedersen_rate,
    "nurse-saul": nurse_saul_rate,
}
_CEMENT_WORDS = {"S": "Slow", "N": "Normal", "R": "Rapid"}


def strength(
    context: typer.Context,
    age_h: Annotated[float, typer.Option("--age-h", min=0, metavar="H", help="Hours since the pour.")],
    temperature_c: Annotated[
        float, typer.Option("--temperature-c", metavar="DEGC", help="How warm it was, all the while. Default: 20.")
    ] = 20.0,
    cement_class: Annotated[
        str | None,
        typer.Option(
            "--class",
            metavar="|".join(CEMENT_CLASSES),
            help="How fast the cement hardens: S slow, N normal, R rapid. Default: N.",
        ),
    ] = None,
    model: Annotated[
        str | None,
        typer.Option(
            "--model",
            metavar="|".join(_MODELS),
            help="Formula: en (EN 1992-1-1) or aci (ACI 209R-92, N as type I, R as type III). Default: en.",
        ),
    ] = None,
    steam: Annotated[bool, typer.Option("--steam", help="Steam cured; with --model aci.")] = False,
    wet_until_h: Annotated[
        float | None,
        typer.Option(
            "--wet-until-h",
            min=0,
            metavar="H",
            help="Kept wet, or in its closed mold, until this age, then dry. Default: wet all the while.",
        ),
    ] = None,
    maturity: Annotated[
        str,
        typer.Option(
            "--maturity",
            metavar="|".join(_MATURITIES),
            help="How temperature counts: en (EN 1992-1-1, B.10), astm (Arrhenius, ASTM C1074), fhp (Freiesleben "
            "Hansen and Pedersen) or nurse-saul.",
        ),
    ] = "en",
    activation_k: Annotated[
        float | None,
        typer.Option("--activation-k", metavar="K", help="Activation energy / gas constant, for astm. Default: 5000."),
    ] = None,
    datum_c: Annotated[
        float | None, typer.Option("--datum-c", metavar="DEGC", help="Datum temperature, for nurse-saul. Default: 0.")
    ] = None,
    mix: Annotated[
        str | None,
        typer.Option("--mix", metavar="NAME", help="A mix of the log: its cement, moved by its break tests."),
    ] = None,
    thickness_mm: Annotated[
        float | None,
        typer.Option(
            "--thickness-mm", min=1, metavar="MM", help="Of a thin part, for its strength in bending; with --mix."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of sentences.")] = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Tell the strength at an age, as a fraction of the 28-day strength, with its 90 % band.

    A start, not evidence, until break tests of your own mix are in it. It never says when structural formwork may
    come off.

    Example: inspector strength --age-h 72 --temperature-c 15 --class N
    """
    if mix is not None and (cement_class is not None or model is not None or steam):
        raise WrongUsageError("With --mix the cement comes from the log: leave --class, --model and --steam out.")
    if data is not None and mix is None:
        raise WrongUsageError("--data goes with --mix: without it nothing is taken from a log.")
    if thickness_mm is not None and mix is None:
        raise WrongUsageError("--thickness-mm goes with --mix: MPa come from press results of your own mix.")
    if mix is None:
        start = _formula(cement_class or "N", model or "en", steam=steam)
    else:
        with open_workshop(context, data, database, site) as workshop:
            start = _Start(
                fit=workshop.curing.mix_strength(mix),
                cement_class=workshop.mix(mix).cement_class,
                formula="EN 1992-1-1",
            )
    curve = start.fit.curve
    rate = _rate(maturity, activation_k=activation_k, datum_degc=datum_c)
    history = constant_temperature(temperature_c)
    aged_h = float(equivalent_age_h(history, age_h, rate=rate))
    wet_h = float("inf") if wet_until_h is None else float(equivalent_age_h(history, wet_until_h, rate=rate))
    band = strength_band(curve, aged_h, wet_until_equivalent_h=wet_h)
    tensile = float(tensile_fraction(curve, aged_h, wet_until_equivalent_h=wet_h))
    warnings = temperature_warnings([temperature_c])
    in_mpa = _in_mpa(start.fit, float(band.fraction), tensile, thickness_mm=thickness_mm)
    fraction, low, high = float(band.fraction), float(band.low), float(band.high)
    if as_json:
        mpa = start.fit.strength_28_days
        typer.echo(
            json.dumps(
                {
                    "age_h": age_h,
                    "temperature_c": temperature_c,
                    "equivalent_age_h": aged_h,
                    "strength_fraction": fraction,
                    "low": low,
                    "high": high,
                    "tensile_fraction": tensile,
                    "wet_until_h": wet_until_h,
                    "mix": mix,
                    "cement_class": start.cement_class,
                    "formula": start.formula,
                    "maturity": maturity,
                    "break_tests": curve.break_tests,
                    "strength_28_days_mpa": None
                    if mpa is None
                    else {"median": mpa.median_mpa, "low": mpa.low_mpa, "high": mpa.high_mpa},
                    "tensile_mpa": None if in_mpa is None else in_mpa.tensile,
                    "bending_mpa": None
                    if in_mpa is None or in_mpa.en_bending is None
                    else {"thickness_mm": thickness_mm, "en": in_mpa.en_bending, "aci": in_mpa.aci_bending},
                    "warnings": list(warnings),
                },
                indent=2,
            )
        )
        return
    kept = "" if wet_until_h is None else f", wet until {wet_until_h:g} h"
    typer.echo(
        f"After {age_h:g} h at {temperature_c:g} degC{kept} (equivalent age {aged_h:.1f} h): about {percent(fraction)} "
        f"of the 28-day strength, with a 90 % band from {percent(low)} to {percent(high)}; in tension, in which thin "
        f"features fail, about {percent(tensile)} of the 28-day value."
    )
    _tell_where_from(start, mix, warnings, in_mpa, thickness_mm=thickness_mm)


@dataclass(frozen=True, slots=True)
class _InMpa:
    """Strengths at the age asked for. [MPa]"""

    tensile: float
    en_bending: float | None
    aci_bending: float


def _in_mpa(fit: BreakTestFit, fraction: float, tensile: float, *, thickness_mm: float | None) -> _InMpa | None:
    """Give strengths in MPa where a press told the 28-day strength, and the standards know so weak a concrete."""
    if fit.strength_28_days is None:
        return None
    characteristic = float(characteristic_strength_mpa(fit.strength_28_days.median_mpa))
    if characteristic < WEAKEST_CHARACTERISTIC_MPA:
        return None
    bending = (
        None if thickness_mm is None else tensile * float(en_bending_mpa(characteristic, thickness_mm=thickness_mm))
    )
    return _InMpa(
        tensile=tensile * float(en_tensile_mpa(characteristic)),
        en_bending=bending,
        aci_bending=float(aci_bending_mpa(fraction * characteristic)),
    )


@dataclass(frozen=True, slots=True)
class _Start:
    """Which curve, and where it comes from."""

    fit: BreakTestFit
    cement_class: CementClass
    formula: str


def _formula(cement_class: str, model: str, *, steam: bool) -> _Start:
    known = next((name for name in CEMENT_CLASSES if name == cement_class), None)
    if known is None:
        raise WrongUsageError(f"{cement_class!r} is no cement class. Use {' or '.join(CEMENT_CLASSES)}.")
    if model not in _MODELS:
        raise WrongUsageError(f"{model!r} is no formula. Use {' or '.join(_MODELS)}.")
    if steam and model != "aci":
        raise WrongUsageError("--steam goes with --model aci: EN 1992-1-1 has no constants for steam.")
    if model == "en":
        return _Start(BreakTestFit(en_curve(known), None), known, "EN 1992-1-1")
    try:
        curve = aci_curve(known, steam=steam)
    except InputError as error:
        raise WrongUsageError(str(error)) from error
    return _Start(BreakTestFit(curve, None), known, "ACI 209R-92, steam cured" if steam else "ACI 209R-92")


def _rate(maturity: str, *, activation_k: float | None, datum_degc: float | None) -> Rate:
    if maturity not in _MATURITIES:
        raise WrongUsageError(f"{maturity!r} is no way to count temperature. Use {', '.join(_MATURITIES)}.")
    if activation_k is not None and maturity != "astm":
        raise WrongUsageError("--activation-k goes with --maturity astm.")
    if datum_degc is not None and maturity != "nurse-saul":
        raise WrongUsageError("--datum-c goes with --maturity nurse-saul.")
    if activation_k is not None:
        return partial(arrhenius_rate, activation_k=activation_k)
    if datum_degc is not None:
        return partial(nurse_saul_rate, datum_degc=datum_degc)
    return _MATURITIES[maturity]


def _tell_where_from(
    start: _Start, mix: str | None, warnings: Sequence[str], in_mpa: _InMpa | None, *, thickness_mm: float | None
) -> None:
    tests = start.fit.curve.break_tests
    evidence = (
        "no break test of your own mix is in it: a start, not evidence"
        if tests == 0
        else f"moved by {tests} of your own break tests"
    )
    of_mix = "" if mix is None else f" of mix {mix}"
    typer.echo(f"{_CEMENT_WORDS[start.cement_class]} cement{of_mix} by {start.formula}; {evidence}.")
    mpa = start.fit.strength_28_days
    if mpa is not None:
        typer.echo(
            f"Its 28-day strength by your press: about {mpa.median_mpa:.0f} MPa, 90 % interval {mpa.low_mpa:.0f} to "
            f"{mpa.high_mpa:.0f} MPa."
        )
        _tell_mpa(in_mpa, thickness_mm=thickness_mm)
    else:
        typer.echo("A fraction is no strength: a weak mix at 60 % is still weak.")
        if thickness_mm is not None:
            typer.echo("MPa need a press result of this mix: tell one with inspector breaktest add --mpa.")
    for warning in warnings:
        typer.echo(f"Note: {warning}")


def _tell_mpa(in_mpa: _InMpa | None, *, thickness_mm: float | None) -> None:
    if in_mpa is None:
        typer.echo("That is weaker than the standards know concrete: they tell nothing of its tension in MPa.")
        return
    bending = (
        ""
        if in_mpa.en_bending is None
        else f"; in bending, for a part {thickness_mm:g} mm thick, {in_mpa.en_bending:.1f} MPa by EN 1992-1-1, "
        f"{in_mpa.aci_bending:.1f} MPa by ACI 318"
    )
    typer.echo(f"At that age it has about {in_mpa.tensile:.1f} MPa in tension{bending}. For ornamental pieces only.")
