"""How the pages are put together: one application over one open workshop."""

import threading
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AbstractContextManager, asynccontextmanager, contextmanager
from dataclasses import replace
from pathlib import Path

from fastapi import FastAPI
from fastapi.staticfiles import StaticFiles

from inspector.inspection.engine import ENGINE
from inspector.settings import Settings, read_settings
from inspector.web import (
    finding_routes,
    health_routes,
    mix_routes,
    mold_routes,
    mold_setup_routes,
    normal_routes,
    photo_routes,
    photograph_routes,
    piece_routes,
    pour_routes,
    reviewer_routes,
    today_routes,
    waiting_routes,
)
from inspector.web.failing import answer_failures
from inspector.web.guarding import LimitBody, RefuseCrossSite, SecurityHeaders
from inspector.web.reviewer import ActAsReviewer
from inspector.web.telling import TellRequests
from inspector.workshop import Workshop
from inspector.workshop.guarded_reading import GuardedReader

__all__ = ["create_app"]

# Each inspection holds a full photo and its working copies in memory; more at once would not end sooner
# on the two to four cores of a workshop's laptop.
INSPECTIONS_AT_ONCE = 2

# Without JavaScript all photos of a form come in one request.
PHOTOS_A_REQUEST = 10

_STATIC_DIR = Path(__file__).parent / "static"


def create_app(
    settings: Settings | None = None,
    *,
    open_workshop: Callable[[Path], AbstractContextManager[Workshop]] | None = None,
) -> FastAPI:
    """Make the application that serves the pages.

    Parameters
    ----------
    settings : Settings, optional
        Where the data lies and how large a photo may be; by default read from the environment.
    open_workshop : callable, optional
        What opens the workshop of a data folder when serving starts; by default with photos read in processes that
        may take only so much time and memory.

    Returns
    -------
    FastAPI
        Ready for uvicorn; the workshop is opened when serving starts and closed when it ends.
    """
    settings = read_settings() if settings is None else settings

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        with (open_workshop or _open_guarded)(settings.data_dir) as workshop:
            app.state.workshop = workshop
            yield

    # The interactive API pages of FastAPI load their scripts from elsewhere, so they would not work offline.
    app = FastAPI(
        title="Inspector",
        summary="Photos of demolded pieces, what was flagged on them, and what became of them.",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    app.state.settings = settings
    app.state.inspecting = threading.BoundedSemaphore(INSPECTIONS_AT_ONCE)
    for routes in (
        waiting_routes,
        today_routes,
        photograph_routes,
        pour_routes,
        mix_routes,
        mold_setup_routes,
        normal_routes,
        mold_routes,
        piece_routes,
        finding_routes,
        photo_routes,
        reviewer_routes,
        health_routes,
    ):
        app.include_router(routes.router)
    app.mount("/static", StaticFiles(directory=_STATIC_DIR), name="static")
    answer_failures(app)
    app.add_middleware(ActAsReviewer)
    # The one added last meets a request first.
    app.add_middleware(LimitBody, max_bytes=PHOTOS_A_REQUEST * settings.max_photo_bytes)
    app.add_middleware(RefuseCrossSite)
    app.add_middleware(SecurityHeaders)
    app.add_middleware(TellRequests)
    return app


@contextmanager
def _open_guarded(data_dir: Path) -> Iterator[Workshop]:
    """Open a workshop that lets no photo crash or fill up the program: whoever reaches the pages can send one."""
    with GuardedReader() as reader, Workshop.open(data_dir, engine=replace(ENGINE, read_photo=reader)) as workshop:
        yield workshop
