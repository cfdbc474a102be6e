"""Pages by which people sign in and out, and set their password."""

import math
from datetime import UTC, datetime
from typing import Annotated

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from inspector.errors import InputError, SignInError
from inspector.web.callers import browser_code, caller_of, forget_session, keep_session, session_code
from inspector.web.failing import failure_response
from inspector.web.going_back import own_path
from inspector.web.language import tr
from inspector.web.pages import ShopDep, render_unkept
from inspector.web.rights import least
from inspector.workshop import LEAST_PASSWORD_SIGNS, Account

__all__ = ["router"]

router = APIRouter()

_TEXT_LENGTH = 1000
_BACK_LENGTH = 2000

Text = Annotated[str, Form(max_length=_TEXT_LENGTH)]
Back = Annotated[str, Form(max_length=_BACK_LENGTH)]


@router.get("/sign-in", response_class=HTMLResponse)
@least("nobody")
def show_sign_in(request: Request, back: str = "/") -> HTMLResponse:
    """Show the form that signs in; `back` is the page that was asked for."""
    return _sign_in_page(request, back=back)


@router.post("/sign-in")
@least("nobody")
def sign_in(request: Request, shop: ShopDep, name: Text = "", password: Text = "", back: Back = "/") -> Response:
    """Sign somebody in, and go on to the page that was asked for."""
    try:
        signed_in = shop.access.sign_in(
            name,
            password,
            address=_address(request),
            now=_now(),
            session_code=session_code(request.scope),
            browser_code=browser_code(request.scope),
        )
    except SignInError as error:
        return _sign_in_page(request, back=back, name=name, error=error)
    response = RedirectResponse(own_path(back), status_code=303)
    keep_session(response, request.scope, signed_in)
    return response


@router.post("/sign-out")
@least("nobody", of_scripts=None)
def sign_out(request: Request, shop: ShopDep) -> Response:
    """End the session of this browser."""
    code = session_code(request.scope)
    if code is not None:
        shop.access.sign_out(code)
    response = RedirectResponse("/sign-in", status_code=303)
    forget_session(response, request.scope)
    return response


@router.get("/set-password", response_class=HTMLResponse)
@least("nobody")
def show_set_password(request: Request, shop: ShopDep, code: str = "") -> Response:
    """Show the form that a one-time link leads to; looking at it does not use the link up."""
    return _set_password_page(request, shop, code=code)


@router.post("/set-password")
@least("nobody")
def set_password(
    request: Request, shop: ShopDep, code: Text = "", name: Text = "", password: Text = "", again: Text = ""
) -> Response:
    """Set a password by a one-time link, and sign its owner in."""
    try:
        if password != again:
            raise InputError(tr("The two passwords differ. Type the same one twice."))
        account = shop.access.use_link(code, name=name, password=password, now=_now())
    except InputError as error:
        return _set_password_page(request, shop, code=code, name=name, said=str(error))
    except SignInError as error:
        return failure_response(request, status=403, sentence=str(error))
    return _signed_in_anew(request, shop, account)


@router.get("/account", response_class=HTMLResponse)
@least("see", of_scripts=None)
def show_own_account(request: Request) -> HTMLResponse:
    """Show somebody their own account."""
    return _own_account_page(request)


@router.post("/account/password")
@least("see", of_scripts=None)
def change_password(request: Request, shop: ShopDep, old: Text = "", password: Text = "", again: Text = "") -> Response:
    """Change one's own password; all other browsers are signed out."""
    account = caller_of(request).account
    if account is None:
        raise InputError(tr("Nobody is signed in here, so that there is no password to change."))
    try:
        if password != again:
            raise InputError(tr("The two passwords differ. Type the same one twice."))
        shop.access.change_password(account, old=old, new=password, address=_address(request), now=_now())
    except (InputError, SignInError) as error:
        return _own_account_page(request, said=str(error))
    return _signed_in_anew(request, shop, account)


def _signed_in_anew(request: Request, shop: ShopDep, account: Account) -> Response:
    """Go to the first page, in a new session of somebody whose password was just set."""
    response = RedirectResponse("/", status_code=303)
    keep_session(response, request.scope, shop.access.begin_session(account, now=_now()))
    return response


def _sign_in_page(request: Request, *, back: str, name: str = "", error: SignInError | None = None) -> HTMLResponse:
    context = {"back": own_path(back), "name": name, "said": "" if error is None else str(error)}
    status = 200 if error is None else 429 if error.wait_s > 0 else 401
    page = render_unkept(request, "sign_in.html", context, status=status)
    if error is not None and error.wait_s > 0:
        page.headers["Retry-After"] = str(math.ceil(error.wait_s))
    return page


def _set_password_page(request: Request, shop: ShopDep, *, code: str, name: str = "", said: str = "") -> Response:
    try:
        link = shop.access.link(code, now=_now())
    except SignInError as error:
        return failure_response(request, status=403, sentence=str(error))
    context = {"code": code, "link": link, "name": name, "said": said, "least_signs": LEAST_PASSWORD_SIGNS}
    return render_unkept(request, "set_password.html", context, status=422 if said else 200)


def _own_account_page(request: Request, *, said: str = "") -> HTMLResponse:
    context = {"said": said, "least_signs": LEAST_PASSWORD_SIGNS}
    return render_unkept(request, "own_account.html", context, status=422 if said else 200)


def _address(request: Request) -> str:
    return "" if request.client is None else request.client.host


def _now() -> datetime:
    return datetime.now(UTC)
