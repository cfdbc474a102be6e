"""Figures of the running program, as Prometheus collects them: requests, seconds, photos, failures.

Routes are told by the pattern of their address, never by the address itself, so that no id, name or code is told and
the number of figures has a bound.
"""

from collections.abc import Iterator

from fastapi import APIRouter
from fastapi.responses import PlainTextResponse
from prometheus_client import CollectorRegistry, Counter, Histogram, ProcessCollector
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.exposition import choose_encoder
from prometheus_client.registry import Collector
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Scope

from inspector.web.pages import ShopDep
from inspector.web.rights import least
from inspector.workshop import Workshop

__all__ = ["Figures", "router"]

router = APIRouter()

# From a picture that is kept to a photo that waits behind twenty others.
_SECONDS = (0.01, 0.03, 0.1, 0.3, 1, 3, 10, 30, 100)
_METHODS = frozenset({"GET", "POST"})


class Figures:
    """What is counted while the program runs; each application counts for itself."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        ProcessCollector(registry=self.registry)
        route = ("method", "route")
        self.requests = Counter(
            "inspector_requests", "Requests that were answered.", (*route, "status"), registry=self.registry
        )
        self.seconds = Histogram(
            "inspector_request_seconds",
            "How long requests took until their answer was sent.",
            route,
            buckets=_SECONDS,
            registry=self.registry,
        )
        self.failures = Counter(
            "inspector_failures", "Requests that the program failed to serve.", registry=self.registry
        )

    def count_request(self, scope: Scope, status: int, seconds: float) -> None:
        """Count a request that was answered."""
        method = scope["method"] if scope["method"] in _METHODS else "other"
        route = getattr(scope.get("route"), "path", "none")
        self.requests.labels(method, route, str(status)).inc()
        self.seconds.labels(method, route).observe(seconds)
        if status >= 500:
            self.failures.inc()


@router.get("/metrics", response_class=PlainTextResponse)
@least("manage", of_scripts="see")
def show_metrics(request: Request, shop: ShopDep) -> Response:
    """Figures of the running program and of the log, in the text format of Prometheus."""
    figures: Figures = request.app.state.figures
    of_log = CollectorRegistry()
    of_log.register(_LogFigures(shop))
    encode, media_type = choose_encoder(request.headers.get("accept", ""))
    # Both texts may end with a line that says so; the one of the log comes last.
    text = encode(figures.registry).removesuffix(b"# EOF\n") + encode(of_log)
    return Response(text, headers={"Content-Type": media_type, "Cache-Control": "no-store"})


class _LogFigures(Collector):
    """What the log holds when it is asked."""

    def __init__(self, shop: Workshop) -> None:
        self.shop = shop

    def collect(self) -> Iterator[GaugeMetricFamily]:
        """Count photos and pieces."""
        photos = GaugeMetricFamily(
            "inspector_photos", "Photos of pieces in the log, by what became of them.", labels=("state",)
        )
        for state, count in self.shop.count_photos().items():
            photos.add_metric((state,), count)
        yield photos
        waiting = self.shop.count_waiting()
        yield GaugeMetricFamily("inspector_pieces_waiting", "Pieces that wait for a decision.", value=waiting)
