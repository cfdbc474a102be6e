"""Two molds, or one mold before and after a change, held against each other."""

from collections.abc import Callable, Sequence
from datetime import date, datetime, time
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import HTMLResponse

from inspector.errors import InputError
from inspector.web import words
from inspector.web.language import tr
from inspector.web.looking_up import find_mold
from inspector.web.pages import ShopDep, render
from inspector.web.quantities import clock, day
from inspector.web.rights import least
from inspector.web.sentences import told
from inspector.workshop import ComparedPieces, Comparison, Mold, MoldChange, Workshop

__all__ = ["router"]

router = APIRouter()

_FEATURES_TOLD = 5


@router.get("/molds/{mold}/compare", response_class=HTMLResponse)
@least("see")
def show_comparison(
    request: Request,
    shop: ShopDep,
    mold: str,
    other: Annotated[str, Query(max_length=100)] = "",
    since: Annotated[str, Query(max_length=40)] = "",
) -> HTMLResponse:
    """Show what can be compared; with `other` or `since`, the comparison with a mold or of before and after a time."""
    known = find_mold(shop, mold)
    now = datetime.now().astimezone()
    at = _read_time(since) if since else None
    changes = shop.losses.changes(mold, now=now, at=at)
    comparison, heads, heading = None, ("", ""), ""
    rows: list[tuple[str, ...]] = []
    if other:
        other_mold = find_mold(shop, other)
        comparison = shop.losses.compare_molds(mold, other, now=now)
        rows = [*_rows(comparison), *_mold_rows(shop, other_mold, known, now=now)]
        heads = (comparison.first.name, comparison.second.name)
        heading = tr("%(first)s and %(second)s", first=heads[0], second=heads[1])
    elif at is not None:
        comparison = shop.losses.compare_change(mold, at=at, now=now)
        rows = _rows(comparison)
        heads, heading = (tr("before"), tr("from then on")), tr("Before and from %(day)s on", day=day(at))
    context = {
        "mold": known,
        "others": {name: title for name, title in shop.mold_titles().items() if name != mold},
        "other": other,
        "changes": changes,
        "at": at,
        "also": _also_changed(changes, at, comparison),
        "comparison": comparison,
        "rows": rows,
        "heads": heads,
        "heading": heading,
    }
    return render(request, "mold_compare.html", context)


def _read_time(text: str) -> datetime:
    """A day, or a time; without an offset it is this machine's."""
    try:
        at = datetime.combine(date.fromisoformat(text), time()) if len(text) == 10 else datetime.fromisoformat(text)
        return at.astimezone()
    except (ValueError, OverflowError, OSError):
        sentence = tr("“%(text)s” is no day. Choose one, or write year, month and day, as in 2026-03-01.", text=text)
        raise InputError(sentence) from None


def _rows(comparison: Comparison) -> list[tuple[str, ...]]:
    groups = (comparison.first, comparison.second)
    return [
        (tr("pieces with a known age"), *(str(group.pieces) for group in groups)),
        (tr("lost"), *(str(group.lost) for group in groups)),
        (tr("share lost (90 %% interval)"), *(words.share_of(group.lost, group.pieces) for group in groups)),
        (tr("age at demolding, median"), *(_or_none(group.median_age_h, words.age) for group in groups)),
        (
            tr("strength at demolding, median"),
            *(_or_none(group.median_strength_fraction, words.share) for group in groups),
        ),
        (tr("mixes, most used first"), *(", ".join(mix or tr("not known") for mix in group.mixes) for group in groups)),
        (tr("breaks most at"), *(_features(group) for group in groups)),
        (tr("demolded"), *(_span(group) for group in groups)),
    ]


def _mold_rows(shop: Workshop, first: Mold, second: Mold, *, now: datetime) -> list[tuple[str, ...]]:
    opens_h = shop.losses.opening_ages_of_late([first.name, second.name], now=now)
    as_of = shop.losses.learnt_as_of()
    opens = tr("window opens") if as_of is None else tr("window opens, as of %(time)s", time=clock(as_of))
    return [
        (opens, *(_or_none(opens_h[mold.name], words.age, none=tr("no age yet")) for mold in (first, second))),
        (tr("material"), *(mold.material or tr("not noted") for mold in (first, second))),
        (tr("release agent"), *(mold.release_agent or tr("not noted") for mold in (first, second))),
    ]


def _or_none(value: float | None, say: Callable[[float], str], *, none: str | None = None) -> str:
    return (none or tr("not known")) if value is None else say(value)


def _features(group: ComparedPieces) -> str:
    told = [f"{name} ({lost})" for name, lost in group.features[:_FEATURES_TOLD]]
    return ", ".join(told) or tr("no named feature")


def _span(group: ComparedPieces) -> str:
    if group.first_at is None or group.last_at is None:
        return tr("never")
    return tr("%(first)s to %(last)s", first=day(group.first_at), last=day(group.last_at))


def _also_changed(changes: Sequence[MoldChange], at: datetime | None, comparison: Comparison | None) -> list[str]:
    """What else changed in the time that is compared: it may be what made the difference."""
    if at is None or comparison is None:
        return []
    return [f"{day(change.at)}: {told(change.what)}" for change in changes if change.at.date() != at.date()]
