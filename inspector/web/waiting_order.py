"""Which of the pieces that wait come first, the worst or the least sure: chosen at their list, kept in that browser."""

from starlette.requests import Request
from starlette.responses import Response

from inspector.workshop import FIRST_TO_REVIEW, FirstToReview

__all__ = ["first_to_review", "remember_first_to_review"]

_COOKIE = "first-to-review"
_REMEMBERED_S = 365 * 24 * 3600


def first_to_review(request: Request) -> FirstToReview:
    """Which come first in this browser; the worst where nothing was chosen."""
    chosen = request.cookies.get(_COOKIE)
    return next((first for first in FIRST_TO_REVIEW if first == chosen), "worst")


def remember_first_to_review(response: Response, first: FirstToReview) -> None:
    """Have the browser send what a person chose with its next requests."""
    response.set_cookie(_COOKIE, first, max_age=_REMEMBERED_S, path="/", httponly=True, samesite="lax")
