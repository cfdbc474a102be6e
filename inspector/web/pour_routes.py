"""Pages of pours: record one in a few taps, how warm and wet it was kept, how it broke, put right what was wrong."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, File, Form, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse

from inspector.errors import InputError
from inspector.web.language import tr
from inspector.web.looking_up import Id
from inspector.web.pages import ShopDep, render
from inspector.web.quantities import TypedNumber
from inspector.web.reviewer import MAX_NAME_LENGTH, given_name, remember_reviewer
from inspector.web.rights import least
from inspector.web.units import degc_from_degf, mpa_from_psi
from inspector.workshop import ASSUMED_DEGC, BREAK_WORDS, BreakWord, Mold, Pour, Workshop

__all__ = ["router"]

router = APIRouter()

_POURS_SHOWN = 30
_NOTE_LENGTH = 2000
# Nobody fills the same molds with the same mix twice in so short a time.
_SAME_POUR = timedelta(minutes=2)

Name = Annotated[str, Form(max_length=10 * MAX_NAME_LENGTH)]
Why = Annotated[str, Form(max_length=_NOTE_LENGTH)]


@dataclass(frozen=True, slots=True)
class OfferedMold:
    """A mold that the next pour may go into."""

    name: str
    title: str
    chosen: bool
    """Whether the last pour went into it and it is empty again."""
    filled_for_h: float | None
    """How long a piece has been in it; None where it is empty."""


@router.get("/pours", response_class=HTMLResponse)
@least("see")
def show_pours(request: Request, shop: ShopDep) -> HTMLResponse:
    """Show the form for the next pour, filled in as the last one was, and the latest pours."""
    pours = shop.pours(limit=_POURS_SHOWN, with_withdrawn=True)
    last = next((pour for pour in pours if pour.withdrawn_why is None), None)
    molds = shop.molds()
    context = {
        "pours": pours,
        "titles": _titles(molds),
        "last_mix": None if last is None else last.mix,
        "mixes": shop.mixes(),
        "molds": _offered_molds(shop, molds, last),
    }
    return render(request, "pours.html", context)


@router.post("/pours")
@least("record")
def add_pour(
    shop: ShopDep,
    mix: Annotated[str, Form()],
    molds: Annotated[list[str], Form()] = [],  # noqa: B006 - only read
    poured_at: Annotated[datetime | None, Form()] = None,
    temperature_c: Annotated[TypedNumber | None, Form()] = None,
    temperature_f: Annotated[TypedNumber | None, Form()] = None,
    cure_notes: Annotated[str, Form(max_length=_NOTE_LENGTH)] = "",
) -> RedirectResponse:
    """Record a pour, now if no other time is given, with how warm it is if that is told."""
    if poured_at is None and (again := _just_recorded(shop, mix=mix, molds=molds)) is not None:
        return _back_to(again.id, "recorded")
    pour = shop.add_pour(mix=mix, molds=molds, poured_at=poured_at or _now(), cure_notes=cure_notes)
    temperature_degc = _degc(temperature_c, temperature_f)
    if temperature_degc is not None:
        shop.curing.add_temperature(pour.id, temperature_degc)
    return _back_to(pour.id, "recorded")


@router.get("/pours/{pour_id}", response_class=HTMLResponse)
@least("see")
def show_pour(request: Request, shop: ShopDep, pour_id: Id) -> HTMLResponse:
    """Show a pour with what was written down about it."""
    pour = _find_pour(shop, pour_id)
    now, molds = _now(), shop.molds()
    context = {
        "pour": pour,
        "age_h": (now - pour.poured_at).total_seconds() / 3600,
        "titles": _titles(molds),
        "in_molds": shop.due(now=now, pour_id=pour_id),
        "corrections": shop.pour_corrections(pour_id),
        "temperatures": shop.curing.temperatures(pour_id),
        "tests": shop.curing.pour_break_tests(pour_id),
        "wet_until_h": shop.curing.wet_until_h(pour_id),
        "assumed_degc": shop.curing.forecast().degc_at(now) or ASSUMED_DEGC,
        "break_words": BREAK_WORDS,
        "mixes": shop.mixes(),
        "molds": molds,
    }
    return render(request, "pour.html", context)


@router.post("/pours/{pour_id}/temperatures")
@least("record")
def add_temperature(
    shop: ShopDep,
    pour_id: Id,
    temperature_c: Annotated[TypedNumber | None, Form()] = None,
    temperature_f: Annotated[TypedNumber | None, Form()] = None,
    when: Annotated[str, Form(pattern="^(now|all)$")] = "now",
    logger: Annotated[UploadFile | None, File()] = None,
) -> RedirectResponse:
    """Write down how warm a pour is now, was all the while, or what a logger wrote."""
    _find_pour(shop, pour_id)
    has_file = logger is not None and bool(logger.filename)
    temperature_degc = _degc(temperature_c, temperature_f)
    if temperature_degc is None and not has_file:
        raise InputError(tr("Neither a temperature nor a logger's file was given. Go back and give one."))
    if temperature_degc is not None:
        shop.curing.add_temperature(pour_id, temperature_degc, at=_now() if when == "now" else None)
    if has_file and logger is not None:
        shop.curing.import_temperatures(logger.file.read(), name=logger.filename or "logger.csv", pour_id=pour_id)
    return _back_to(pour_id, "temperatures")


@router.post("/pours/{pour_id}/temperatures/{record_id}/withdrawal")
@least("record")
def withdraw_temperature(shop: ShopDep, pour_id: Id, record_id: Id, why: Why = "") -> RedirectResponse:
    """Let a temperature that was written down by mistake count no longer."""
    if record_id not in [record.id for record in shop.curing.temperatures(_find_pour(shop, pour_id).id)]:
        raise HTTPException(
            404,
            tr("Pour %(id)s has no temperature record %(record)s. Open the pour anew.", id=pour_id, record=record_id),
        )
    shop.curing.withdraw_temperature(record_id, why=why)
    return _back_to(pour_id, "temperatures")


@router.post("/pours/{pour_id}/break-tests")
@least("record")
def add_break_test(
    shop: ShopDep,
    pour_id: Id,
    word: Annotated[BreakWord | None, Form()] = None,
    strength_mpa: Annotated[TypedNumber | None, Form()] = None,
    strength_psi: Annotated[TypedNumber | None, Form()] = None,
    tested_at: Annotated[datetime | None, Form()] = None,
    note: Annotated[str, Form(max_length=_NOTE_LENGTH)] = "",
) -> RedirectResponse:
    """Write down how a scrap of the pour broke."""
    _find_pour(shop, pour_id)
    if strength_psi is not None and strength_mpa is None:
        strength_mpa = mpa_from_psi(strength_psi)
    shop.curing.add_pour_break_test(
        pour_id, tested_at=tested_at or _now(), word=word, strength_mpa=strength_mpa, note=note
    )
    return _back_to(pour_id, "break-tests")


@router.post("/pours/{pour_id}/break-tests/{test_id}/withdrawal")
@least("record")
def withdraw_break_test(shop: ShopDep, pour_id: Id, test_id: Id, why: Why = "") -> RedirectResponse:
    """Let a break test that was written down by mistake count no longer."""
    _find_pour(shop, pour_id)
    if test_id not in [test.id for test in shop.curing.pour_break_tests(pour_id)]:
        raise HTTPException(
            404, tr("Pour %(id)s has no break test %(test)s. Open the pour anew.", id=pour_id, test=test_id)
        )
    shop.curing.withdraw_break_test(test_id, why=why)
    return _back_to(pour_id, "break-tests")


@router.post("/pours/{pour_id}/wet-cure")
@least("record")
def add_wet_cure(shop: ShopDep, pour_id: Id, until_h: Annotated[TypedNumber, Form()]) -> RedirectResponse:
    """Write down until which age the pieces of a pour were kept wet."""
    _find_pour(shop, pour_id)
    shop.curing.add_wet_cure(pour_id=pour_id, until_h=until_h)
    return _back_to(pour_id, "wet-cure")


@router.post("/pours/{pour_id}/correction")
@least("record")
def correct_pour(
    shop: ShopDep,
    pour_id: Id,
    poured_at: Annotated[datetime, Form()],
    mix: Annotated[str | None, Form()] = None,
    molds: Annotated[list[str], Form()] = [],  # noqa: B006 - only read
    cure_notes: Annotated[str, Form(max_length=_NOTE_LENGTH)] = "",
    name: Name = "",
    why: Why = "",
) -> RedirectResponse:
    """Put a pour right; what stood there before stays visible."""
    _find_pour(shop, pour_id)
    who = given_name(name)
    shop.correct_pour(
        pour_id, mix=mix, molds=molds, poured_at=poured_at, cure_notes=cure_notes, corrected_by=who, why=why
    )
    response = _back_to(pour_id, "before")
    remember_reviewer(response, who)
    return response


@router.post("/pours/{pour_id}/withdrawal")
@least("record")
def withdraw_pour(shop: ShopDep, pour_id: Id, name: Name = "", why: Why = "") -> RedirectResponse:
    """Let a pour that never was fill no mold any more."""
    _find_pour(shop, pour_id)
    who = given_name(name)
    shop.withdraw_pour(pour_id, withdrawn_by=who, why=why)
    response = _back_to(pour_id, "content")
    remember_reviewer(response, who)
    return response


def _degc(temperature_c: float | None, temperature_f: float | None) -> float | None:
    """A temperature in the unit that its field had, whatever the pages show by now."""
    if temperature_c is not None:
        return temperature_c
    return None if temperature_f is None else degc_from_degf(temperature_f)


def _find_pour(shop: Workshop, pour_id: int) -> Pour:
    try:
        return shop.pour(pour_id)
    except InputError as error:
        raise HTTPException(404, str(error)) from error


def _just_recorded(shop: Workshop, *, mix: str, molds: list[str]) -> Pour | None:
    """The same pour, sent a moment ago: the answer got lost, or the button was tapped twice."""
    for pour in shop.pours(limit=1):
        if pour.mix == mix and set(pour.molds) == set(molds) and _now() - pour.poured_at < _SAME_POUR:
            return pour
    return None


def _offered_molds(shop: Workshop, molds: Sequence[Mold], last: Pour | None) -> list[OfferedMold]:
    now = _now()
    poured_at = {filled.mold: filled.poured_at for filled in shop.planning.filled_molds(at=now)}
    return [
        OfferedMold(
            name=mold.name,
            title=mold.title or mold.name,
            chosen=last is not None and mold.name in last.molds and mold.name not in poured_at,
            filled_for_h=(now - poured_at[mold.name]).total_seconds() / 3600 if mold.name in poured_at else None,
        )
        for mold in molds
    ]


def _titles(molds: Sequence[Mold]) -> dict[str, str]:
    return {mold.name: mold.title or mold.name for mold in molds}


def _back_to(pour_id: int, place: str) -> RedirectResponse:
    return RedirectResponse(f"/pours/{pour_id}#{place}", status_code=303)


def _now() -> datetime:
    return datetime.now().astimezone()
