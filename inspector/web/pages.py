"""How a page is rendered: the templates, their filters, and what every page knows."""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from fastapi import Depends
from fastapi.templating import Jinja2Templates
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse

from inspector.web import quantities, sentences, words
from inspector.web.callers import SITE_PARAMETER, Caller, caller_of
from inspector.web.language import LANGUAGES, speaking, speaking_to, spoken, texts_in
from inspector.web.marks import number_place, polygon_points
from inspector.web.reviewer import reviewer_of
from inspector.web.script_texts import texts_of
from inspector.workshop import Role, Workshop, may

__all__ = ["ShopDep", "render", "render_unkept", "wants_json"]

_ENVIRONMENT = Environment(
    loader=FileSystemLoader(Path(__file__).parent / "templates"),
    extensions=["jinja2.ext.i18n", "jinja2.ext.do"],
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
# Markup may stand in a text; the values that are put in are escaped ("newstyle").
_ENVIRONMENT.install_gettext_callables(  # type: ignore[attr-defined]
    lambda message: texts_in(spoken().text).gettext(message),
    lambda one, many, count: texts_in(spoken().text).ngettext(one, many, count),
    newstyle=True,
    pgettext=lambda context, message: texts_in(spoken().text).pgettext(context, message),
)
_ENVIRONMENT.filters.update(
    {name: getattr(words, name) for name in words.__all__}
    | {name: getattr(quantities, name) for name in ("clock", "day", "number", "plain", "temperature", "typed")}
    | {"mpa": quantities.strength, "mm": quantities.length}
    | {"told": sentences.told, "told_all": sentences.told_all, "number_place": number_place, "points": polygon_points}
)
_ENVIRONMENT.globals.update(texts_of=texts_of, units=quantities.units)
_POSTING = re.compile(r'(<form\b[^>]*\bmethod="post"[^>]*\baction=")(/[^"#]*)"')
_TEMPLATES = Jinja2Templates(env=_ENVIRONMENT)


def _open_workshop(request: Request) -> Workshop:
    """The workshop that a request may hear of, as `rights` found it."""
    workshop: Workshop = request.scope["workshop"]
    return workshop


ShopDep = Annotated[Workshop, Depends(_open_workshop)]


def render(request: Request, template: str, context: Mapping[str, Any], *, status: int = 200) -> HTMLResponse:
    """Render a page for a request."""
    caller = caller_of(request)
    language = speaking_to(request)
    # Who may only look is not asked for a name, and sees no form that would be refused.
    may_record = _may(caller, "record")
    everywhere = {
        "reviewer": reviewer_of(request) if may_record else None,
        "caller": caller,
        "may_record": may_record,
        "may_manage": _may(caller, "manage"),
        "language": language,
        "languages": LANGUAGES,
    }
    with speaking(language):
        response = _TEMPLATES.TemplateResponse(request, template, {**everywhere, **context}, status_code=status)
    if caller.site is not None:
        _send_to_site(response, caller.site.id)
    return response


def _send_to_site(response: HTMLResponse, site_id: int) -> None:
    """Have all forms of a page write to the site that it shows, whichever the browser shows by then."""

    def add_site(found: re.Match[str]) -> str:
        address = found[2]
        return f'{found[1]}{address}{"&amp;" if "?" in address else "?"}{SITE_PARAMETER}={site_id}"'

    response.body = _POSTING.sub(add_site, bytes(response.body).decode()).encode()
    response.headers["content-length"] = str(len(response.body))


def render_unkept(request: Request, template: str, context: Mapping[str, Any], *, status: int = 200) -> HTMLResponse:
    """Render a page with what must not stay in a browser, such as a link that works once."""
    page = render(request, template, context, status=status)
    page.headers["Cache-Control"] = "no-store"
    return page


def _may(caller: Caller, role: Role) -> bool:
    return caller.role is not None and may(caller.role, role)


def wants_json(request: Request) -> bool:
    """Whether the answer is for a program: it asks for JSON and not for a page."""
    accept = request.headers.get("accept", "")
    return "application/json" in accept and "text/html" not in accept
