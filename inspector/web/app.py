"""How the pages are put together: one application over one open workshop."""

import gc
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AbstractContextManager, asynccontextmanager, contextmanager, nullcontext
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

from anyio import CapacityLimiter
from fastapi import FastAPI
from fastapi.staticfiles import StaticFiles

from inspector.inspection.engine import CLASSIC, ENGINE, Engine
from inspector.log import LogPlace
from inspector.settings import Settings, read_settings
from inspector.web import (
    account_routes,
    compare_routes,
    export_routes,
    feature_routes,
    finding_routes,
    health_routes,
    label_routes,
    language_routes,
    metrics,
    mix_routes,
    mold_routes,
    mold_setup_routes,
    normal_routes,
    outline_routes,
    photo_routes,
    photograph_routes,
    piece_routes,
    pour_routes,
    reviewer_routes,
    sheet_routes,
    sign_in_routes,
    site_routes,
    today_routes,
    unit_routes,
    unrecognised_routes,
    waiting_routes,
)
from inspector.web.describing import describe
from inspector.web.failing import answer_failures
from inspector.web.guarding import CheckHost, LimitBody, RefuseCrossSite, SecurityHeaders
from inspector.web.metrics import Figures
from inspector.web.reviewer import ActAsReviewer
from inspector.web.rights import HoldToRights
from inspector.web.speaking import SpeakAsAsked
from inspector.web.telling import tell_request
from inspector.web.watching import WatchRequests
from inspector.workshop import Workshop, place_of
from inspector.workshop.guarded_reading import GuardedReader
from inspector.workshop.inspecting import InspectingProcesses, InspectingThread
from inspector.workshop.learning_ahead import LearningAhead

__all__ = ["create_app", "pass_over_what_stays"]

# Each reference that is made ready holds a full photo and its working copies in memory.
REFERENCES_AT_ONCE = 2

# Photos that are read and kept at the same time; the others wait without a thread, which reviews need.
KEEPING_AT_ONCE = 2

# Without JavaScript all photos of a form come in one request.
PHOTOS_A_REQUEST = 10

# Each with where processes of their own find it.
_ENGINES = {
    "both": (ENGINE, "inspector.inspection.engine:ENGINE"),
    "classic": (CLASSIC, "inspector.inspection.engine:CLASSIC"),
}

_STATIC_DIR = Path(__file__).parent / "static"


def pass_over_what_stays() -> None:
    """Have Python look for garbage only among what is made from now on.

    What was loaded to serve stays until serving ends. Looking through it holds a page up for a tenth of a second, time
    and again: https://docs.python.org/3/library/gc.html#gc.freeze
    """
    gc.collect()
    gc.freeze()


def create_app(
    settings: Settings | None = None,
    *,
    open_workshop: Callable[[LogPlace], AbstractContextManager[Workshop]] | None = None,
) -> FastAPI:
    """Make the application that serves the pages.

    Parameters
    ----------
    settings : Settings, optional
        Where the data lies and how large a photo may be; by default read from the environment.
    open_workshop : callable, optional
        What opens the workshop of a place when serving starts; its photos are inspected by a thread then. By
        default photos are inspected in processes of their own, and read in ones that may take only so much time and
        memory.

    Returns
    -------
    FastAPI
        Ready for uvicorn; the workshop is opened when serving starts and closed when it ends.
    """
    settings = read_settings() if settings is None else settings

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        place, (engine, engine_at) = place_of(settings), _ENGINES[settings.engine]
        with open_workshop(place) if open_workshop is not None else _open_guarded(place, engine) as workshop:
            app.state.workshop = workshop
            app.state.keeping = CapacityLimiter(KEEPING_AT_ONCE)
            # The engine of a workshop that is handed in may be one that no process could be given.
            start = (
                InspectingThread(workshop)
                if open_workshop is not None
                else InspectingProcesses(place, engine=engine_at)
            )
            learning = LearningAhead(workshop) if open_workshop is None else nullcontext()
            with start as app.state.inspecting, learning:
                if open_workshop is None:
                    pass_over_what_stays()
                yield

    modules = (
        waiting_routes,
        today_routes,
        photograph_routes,
        pour_routes,
        mix_routes,
        mold_setup_routes,
        outline_routes,
        feature_routes,
        normal_routes,
        mold_routes,
        compare_routes,
        export_routes,
        sheet_routes,
        piece_routes,
        finding_routes,
        unrecognised_routes,
        label_routes,
        photo_routes,
        reviewer_routes,
        health_routes,
        sign_in_routes,
        account_routes,
        language_routes,
        unit_routes,
        site_routes,
        *([metrics] if settings.metrics else []),
    )
    addresses = [route for routes in modules for route in routes.router.routes]
    # The interactive API pages of FastAPI load their scripts from elsewhere, so they would not work offline.
    app = FastAPI(
        title="Inspector",
        version=version("inspector"),
        summary="Photos of demolded pieces, what was flagged on them, and what became of them.",
        description="Programs ask for JSON with `Accept: application/json`. Addresses that answer with a page only are "
        "for people: what is on them may change.",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
        # As they are: routers that are included are built anew, by the first requests, which wait for it.
        routes=addresses,
    )
    app.state.settings = settings
    app.state.preparing = threading.BoundedSemaphore(REFERENCES_AT_ONCE)
    app.mount("/static", StaticFiles(directory=_STATIC_DIR), name="static")
    answer_failures(app)
    describe(app)
    app.add_middleware(ActAsReviewer)
    # The one added last meets a request first.
    app.add_middleware(LimitBody, max_bytes=PHOTOS_A_REQUEST * settings.max_photo_bytes)
    app.add_middleware(RefuseCrossSite)
    app.add_middleware(HoldToRights, settings=settings, routes=addresses)
    app.add_middleware(CheckHost, settings=settings)
    app.add_middleware(SecurityHeaders)
    app.add_middleware(SpeakAsAsked)  # refusals are said in the language of whoever is refused, too
    if settings.metrics:
        app.state.figures = Figures()
        app.add_middleware(WatchRequests, answered=app.state.figures.count_request)
    app.add_middleware(WatchRequests, answered=tell_request)
    return app


@contextmanager
def _open_guarded(place: LogPlace, engine: Engine) -> Iterator[Workshop]:
    """Open a workshop that lets no photo crash or fill up the program: whoever reaches the pages can send one."""
    with GuardedReader() as reader:
        guarded = replace(engine, read_photo=reader, read_labels=reader.labels)
        with Workshop.open(place, engine=guarded) as workshop:
            yield workshop
