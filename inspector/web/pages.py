"""How a page is rendered: the templates, their filters, and what every page knows."""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from fastapi import Depends
from fastapi.templating import Jinja2Templates
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse

from inspector.web import words
from inspector.web.callers import Caller, caller_of
from inspector.web.marks import number_place, polygon_points
from inspector.web.reviewer import reviewer_of
from inspector.workshop import Role, Workshop, may, with_degree_sign

__all__ = ["ShopDep", "render", "wants_json"]

_ENVIRONMENT = Environment(
    loader=FileSystemLoader(Path(__file__).parent / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_ENVIRONMENT.filters.update(
    age=words.age,
    clock=words.clock,
    confidence=words.confidence,
    degree_sign=with_degree_sign,
    day=words.day,
    decided=words.decided,
    file_size=words.file_size,
    flagged=words.flagged,
    last_said=words.last_said,
    mold_name=words.mold_name,
    rights=words.rights,
    number_place=number_place,
    points=polygon_points,
    said=words.said,
    score=words.score,
    size=words.size,
)
_TEMPLATES = Jinja2Templates(env=_ENVIRONMENT)


def _open_workshop(request: Request) -> Workshop:
    workshop: Workshop = request.app.state.workshop
    return workshop


ShopDep = Annotated[Workshop, Depends(_open_workshop)]


def render(request: Request, template: str, context: Mapping[str, Any], *, status: int = 200) -> HTMLResponse:
    """Render a page for a request."""
    caller = caller_of(request)
    # Who may only look is not asked for a name, and sees no form that would be refused.
    may_record = _may(caller, "record")
    everywhere = {
        "reviewer": reviewer_of(request) if may_record else None,
        "caller": caller,
        "may_record": may_record,
        "may_manage": _may(caller, "manage"),
    }
    return _TEMPLATES.TemplateResponse(request, template, {**everywhere, **context}, status_code=status)


def _may(caller: Caller, role: Role) -> bool:
    return caller.role is not None and may(caller.role, role)


def wants_json(request: Request) -> bool:
    """Whether the answer is for a program: it asks for JSON and not for a page."""
    accept = request.headers.get("accept", "")
    return "application/json" in accept and "text/html" not in accept
