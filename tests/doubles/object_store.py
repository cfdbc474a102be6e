"""An object store of the tests' own: the server of moto, which answers as S3 does, in a thread of this process."""

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from io import BytesIO
from threading import Thread
from typing import Any
from urllib.request import Request, urlopen
from uuid import uuid4

from moto.moto_server.werkzeug_app import DomainDispatcherApplication, create_backend_app
from werkzeug.serving import WSGIRequestHandler, make_server

__all__ = ["ObjectStore", "running_store"]

_BUCKET = "workshop"


class _Silent(WSGIRequestHandler):
    def log_request(self, *said: object) -> None:
        """Tell nothing."""


@dataclass
class ObjectStore:
    """A running store, and what is to go wrong with it."""

    address: str
    refuses: bool = False
    """Answers nothing but "out of order"."""
    changes: Callable[[bytes], bytes] | None = None
    """What becomes of the bytes of an object before they are kept."""
    asked: list[str] = field(default_factory=list)
    """Method and path of each request."""

    def new_url(self) -> str:
        """Give a place in it that nothing was put into."""
        return f"s3://{_BUCKET}/{uuid4().hex}"

    def answer(self, environ: dict[str, Any], start_response: Callable[..., Any], app: Any) -> Iterable[bytes]:
        """Answer a request as the store does, or as it would with what is to go wrong."""
        self.asked.append(f"{environ['REQUEST_METHOD']} {environ['PATH_INFO']}")
        if self.refuses:
            start_response("503 Service Unavailable", [("Content-Length", "0")])
            return [b""]
        if self.changes is not None and environ["REQUEST_METHOD"] == "PUT":
            body = self.changes(environ["wsgi.input"].read(int(environ["CONTENT_LENGTH"])))
            environ["wsgi.input"], environ["CONTENT_LENGTH"] = BytesIO(body), str(len(body))
        return app(environ, start_response)


@contextmanager
def running_store() -> Iterator[ObjectStore]:
    """Run a store, and have all programs that are started meanwhile find it."""
    app = DomainDispatcherApplication(create_backend_app)
    store = ObjectStore("")
    server = make_server(
        "127.0.0.1", 0, lambda *request: store.answer(*request, app), threaded=True, request_handler=_Silent
    )
    store.address = f"http://127.0.0.1:{server.server_port}"
    thread = Thread(target=server.serve_forever)
    thread.start()
    told = {
        "AWS_ENDPOINT_URL_S3": store.address,
        "AWS_ACCESS_KEY_ID": "tests",
        "AWS_SECRET_ACCESS_KEY": "tests",
        "AWS_REGION": "us-east-1",
        "AWS_EC2_METADATA_DISABLED": "true",
    }
    before = {name: os.environ.get(name) for name in told}
    os.environ.update(told)
    try:
        urlopen(Request(f"{store.address}/{_BUCKET}", method="PUT")).close()
        yield store
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
        server.shutdown()
        thread.join()
        server.server_close()
