"""What a person or a program sees when something cannot be done: one page, one JSON shape."""

import errno
from collections.abc import Mapping
from contextlib import nullcontext
from http import HTTPStatus

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from inspector.errors import InputError, InspectorError
from inspector.web.language import mark, speaking, speaking_to, tr
from inspector.web.pages import render, wants_json
from inspector.web.quantities import measuring_in
from inspector.web.sentences import told

__all__ = ["answer_failures", "failure_response"]

_SENTENCE_BY_STATUS = {
    404: mark("There is nothing at this address. Go back to the pieces waiting."),
    405: mark("This address cannot be used that way. Go back to the pieces waiting."),
    500: mark(
        "The program failed and does not know why. Go back and try again; the window in which it runs says more."
    ),
}


# The disk is full, its share is used up, or it may only be read.
_DISK_REFUSES = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EROFS})


def answer_failures(app: FastAPI) -> None:
    """Have every failure of the application answered in the one shape."""

    @app.exception_handler(InputError)
    def refused(request: Request, error: InputError) -> Response:
        return failure_response(request, status=422, sentence=str(error))

    @app.exception_handler(InspectorError)
    def out_of_order(request: Request, error: InspectorError) -> Response:
        # Nothing was wrong with what was sent: the disk is full, the log is held by another program.
        return failure_response(request, status=503, sentence=str(error))

    @app.exception_handler(OSError)
    def disk_out_of_order(request: Request, error: OSError) -> Response:
        if error.errno not in _DISK_REFUSES:
            raise error  # a fault of the program
        return failure_response(request, status=503, sentence=_disk_sentence(error))

    @app.exception_handler(RequestValidationError)
    def malformed(request: Request, error: RequestValidationError) -> Response:
        first = error.errors()[0]
        if first["loc"][0] == "path":  # an address with a word or an impossible number for an id
            return failure_response(request, status=404, sentence=tr(_SENTENCE_BY_STATUS[404]))
        error_of_ours = first.get("ctx", {}).get("error")
        if isinstance(error_of_ours, InputError):  # what was typed could not be read, and the sentence says why
            return failure_response(request, status=422, sentence=str(error_of_ours))
        field = str(first["loc"][-1]).replace("_", " ")
        sentence = tr(
            "The %(field)s cannot be used: %(reason)s. Put it right and send it again.",
            field=field,
            reason=first["msg"].lower(),
        )
        return failure_response(request, status=422, sentence=sentence)

    @app.exception_handler(HTTPException)
    def refused_by_framework(request: Request, error: HTTPException) -> Response:
        if isinstance(error.__cause__, OSError):  # what came in is put into a temporary file first
            return failure_response(request, status=503, sentence=_disk_sentence(error.__cause__))
        sentence = error.detail
        if sentence == HTTPStatus(error.status_code).phrase:  # the framework's own word, no sentence
            refusal = tr("This was refused (%(reason)s). Go back and try again.", reason=sentence)
            known = _SENTENCE_BY_STATUS.get(error.status_code)
            sentence = refusal if known is None else tr(known)
        return failure_response(request, status=error.status_code, sentence=sentence, headers=error.headers)

    @app.exception_handler(Exception)
    def failed(request: Request, _error: Exception) -> Response:
        with speaking(speaking_to(request)):  # whatever spoke to the browser has been left already
            return failure_response(request, status=500, sentence=tr(_SENTENCE_BY_STATUS[500]))


def failure_response(
    request: Request, *, status: int, sentence: str, headers: Mapping[str, str] | None = None
) -> Response:
    """Say what could not be done, as a page or as `{"error": {"message": ...}}`.

    Where the machine is out of order the log is not asked for its units: it may be the log that cannot be read.
    """
    with measuring_in(lambda: "metric") if status >= HTTPStatus.INTERNAL_SERVER_ERROR else nullcontext():
        if wants_json(request):
            return JSONResponse({"error": {"message": told(sentence)}}, status_code=status, headers=headers)
        title = tr("Not found") if status == HTTPStatus.NOT_FOUND else tr("That did not work")
        response = render(request, "failure.html", {"title": title, "sentence": sentence}, status=status)
        response.headers.update(headers or {})
        return response


def _disk_sentence(error: OSError) -> str:
    return tr(
        "Nothing was kept, since the disk refuses it: %(reason)s. Make room on the machine that serves these pages, or "
        "give write access there, and send it again.",
        reason=error.strerror or error,
    )
