"""Pages of who may sign in and of the tokens of scripts: made, changed and removed by those who manage.

For people only: whatever a token could make here, an account or another token, would outlive its revocation.
"""

from datetime import UTC, datetime
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from inspector.web.callers import caller_of, keep_session, session_code
from inspector.web.looking_up import Id
from inspector.web.pages import ShopDep, render_unkept
from inspector.web.rights import least
from inspector.workshop import ROLES, Account, Role, Workshop

__all__ = ["router"]

router = APIRouter()

_TEXT_LENGTH = 200

Name = Annotated[str, Form(max_length=_TEXT_LENGTH)]
NewRole = Annotated[Role, Form()]


@router.get("/accounts", response_class=HTMLResponse)
@least("manage", of_scripts=None)
def show_accounts(request: Request, shop: ShopDep) -> HTMLResponse:
    """Show who may sign in."""
    return _accounts_page(request, shop)


@router.post("/accounts")
@least("manage", of_scripts=None)
def add_account(request: Request, shop: ShopDep, role: NewRole, name: Name = "") -> Response:
    """Add somebody, and show the link by which they set their password."""
    account, code = shop.access.add_account(name, role=role, now=_now())
    return _accounts_page(request, shop, link_of=account, link=_link(request, code))


@router.post("/accounts/{account_id}/link")
@least("manage", of_scripts=None)
def make_link(request: Request, shop: ShopDep, account_id: Id) -> Response:
    """Show a new link by which somebody sets a new password."""
    account = shop.access.account(account_id)
    return _accounts_page(
        request, shop, link_of=account, link=_link(request, shop.access.make_link(account_id, now=_now()))
    )


@router.post("/accounts/{account_id}/role")
@least("manage", of_scripts=None)
def set_role(request: Request, shop: ShopDep, account_id: Id, role: NewRole) -> Response:
    """Change what somebody may do."""
    account = shop.access.set_role(account_id, role, now=_now())
    own = caller_of(request).account
    if own is None or own.id != account_id:
        return RedirectResponse("/accounts", status_code=303)
    # With the rights the session changes, here at once.
    response = RedirectResponse("/accounts" if role == "manage" else "/", status_code=303)
    if session_code(request.scope) is not None:
        keep_session(response, request.scope, shop.access.begin_session(account, now=_now()))
    return response


@router.post("/accounts/{account_id}/removal")
@least("manage", of_scripts=None)
def remove_account(shop: ShopDep, account_id: Id) -> RedirectResponse:
    """Let somebody sign in no more."""
    shop.access.remove_account(account_id, now=_now())
    return RedirectResponse("/accounts", status_code=303)


@router.get("/tokens", response_class=HTMLResponse)
@least("manage", of_scripts=None)
def show_tokens(request: Request, shop: ShopDep) -> HTMLResponse:
    """Show the tokens of scripts."""
    return _tokens_page(request, shop)


@router.post("/tokens")
@least("manage", of_scripts=None)
def add_token(request: Request, shop: ShopDep, role: NewRole, name: Name = "") -> Response:
    """Make a token, and show it this once."""
    token, code = shop.access.add_token(name, role=role, now=_now(), made_by=caller_of(request).account)
    return _tokens_page(request, shop, name=token.name, code=code)


@router.post("/tokens/{token_id}/revocation")
@least("manage", of_scripts=None)
def revoke_token(shop: ShopDep, token_id: Id) -> RedirectResponse:
    """Let a token be of no use any more."""
    shop.access.revoke_token(token_id, now=_now())
    return RedirectResponse("/tokens", status_code=303)


def _accounts_page(request: Request, shop: Workshop, *, link_of: Account | None = None, link: str = "") -> HTMLResponse:
    context = {
        "accounts": shop.access.accounts(),
        "roles": ROLES,
        "link_of": link_of,
        "link": link,
        "on_network": request.app.state.settings.needs_accounts,
    }
    return render_unkept(request, "accounts.html", context)


def _tokens_page(request: Request, shop: Workshop, *, name: str = "", code: str = "") -> HTMLResponse:
    context = {"tokens": shop.access.tokens(), "roles": ROLES, "name": name, "code": code}
    return render_unkept(request, "tokens.html", context)


def _link(request: Request, code: str) -> str:
    """The address that sets a password, as this browser reaches these pages."""
    return f"{request.url.scheme}://{request.headers['host']}/set-password?code={quote(code, safe='')}"


def _now() -> datetime:
    return datetime.now(UTC)
