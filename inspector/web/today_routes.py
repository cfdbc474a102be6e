"""The page of the day: what can come out now and what soon, what waits, what changed."""

from datetime import datetime, timedelta

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import HTMLResponse

from inspector.web.language import tr
from inspector.web.pages import ShopDep, render
from inspector.web.rights import least
from inspector.workshop import DuePiece

__all__ = ["router"]

router = APIRouter()

_SOON = timedelta(hours=24)
_NEWS = timedelta(days=30)
# Less than this is less than an hour of a second day: it is reckoned with, and not told.
_TOLD_FROM_PERCENT = 2


@router.get("/today", response_class=HTMLResponse)
@least("see")
def show_today(request: Request, shop: ShopDep) -> HTMLResponse:
    """Show what can come out now and soon, what waits for review, and what changed."""
    now = datetime.now().astimezone()
    due = shop.due(now=now)
    ready = [piece for piece in due if piece.ready]
    soon = [piece for piece in due if not piece.ready and piece.ready_at is not None and piece.ready_at <= now + _SOON]
    context = {
        "now": now,
        "titles": {mold.name: mold.title or mold.name for mold in shop.molds()},
        "ready": ready,
        "soon": soon,
        "later": [piece for piece in due if piece not in ready and piece not in soon],
        "mix_words": {(piece.mold, piece.pour_id): _mix_words(piece) for piece in due},
        "waiting": shop.count_waiting(),
        "rising": shop.losses.rising_of_late(now=now, since=now - _NEWS),
        "as_of": shop.losses.learnt_as_of(),
        "moved": shop.planning.moved_windows(since=now - _NEWS),
    }
    return render(request, "today.html", context)


def _mix_words(piece: DuePiece) -> str:
    """What another mix than the window's changes, where it is worth a word."""
    change = round(100 * (piece.mix_factor - 1))
    if abs(change) < _TOLD_FROM_PERCENT:
        return ""
    mixes = {"mix": piece.mix or tr("Its unknown mix"), "other": piece.window_mix or tr("the unknown mix")}
    if change > 0:
        return tr(
            "%(mix)s needs %(percent)s %% more strength than %(other)s that the window was worked out for.",
            percent=change,
            **mixes,
        )
    return tr(
        "%(mix)s needs %(percent)s %% less strength than %(other)s that the window was worked out for.",
        percent=-change,
        **mixes,
    )
