"""`inspector serve`: the pages of the workshop in the browser."""

import os
import socket
from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer
import uvicorn

from inspector.cli.log_lines import tell_what_happens
from inspector.cli.options import DataOption
from inspector.errors import InspectorError
from inspector.log import open_log
from inspector.settings import DATA_DIR_VARIABLE, DEFAULT_HOST, DEFAULT_PORT, Settings, read_settings

__all__ = ["HostOption", "PortOption", "serve", "serve_pages"]

# Named, not imported: the command line and the pages stand side by side and do not know each other.
_PAGES = "inspector.web:create_app"

# Phones ask every second or so what became of their photos; on a busy machine an answer may take longer than uvicorn's
# own five seconds, and the connection would be closed while the next question is on its way.
_KEEP_ALIVE_S = 30

HostOption = Annotated[
    str,
    typer.Option(
        "--host",
        metavar="ADDRESS",
        help="Address to serve on. Anything but this machine's own lets everyone on the network in: "
        "there are no accounts yet.",
    ),
]
PortOption = Annotated[int, typer.Option("--port", min=0, max=65535, metavar="N", help="Port; 0 takes a free one.")]


def serve(
    host: HostOption = DEFAULT_HOST,
    port: PortOption = DEFAULT_PORT,
    tell: Annotated[
        bool, typer.Option("--tell", help="Tell of each request and photo on stderr, a line of JSON each.")
    ] = False,
    data: DataOption = None,
) -> None:
    """Serve the review pages until Ctrl+C.

    `/health` answers whether the log can be read and the disk has room, for a supervisor.

    Example: inspector serve --port 8500
    """
    if tell:
        tell_what_happens()
    serve_pages(read_settings(data_dir=data, host=host, port=port))


def serve_pages(settings: Settings) -> None:
    """Serve the pages of a data folder and print their address.

    Raises
    ------
    InspectorError
        If the log cannot be opened, or the address is taken or none of this machine's.
    """
    open_log(settings.data_dir).close()  # what is wrong with the log is told here, not in the middle of starting
    listening = _listen(settings.host, settings.port)
    _make_known(settings.data_dir)
    host, port = listening.getsockname()[:2]
    shown = f"[{host}]" if ":" in host else host
    typer.echo(f"Serving {settings.data_dir} at http://{shown}:{port}/ - stop with Ctrl+C.")
    config = uvicorn.Config(
        _PAGES, factory=True, log_level="warning", log_config=None, timeout_keep_alive=_KEEP_ALIVE_S
    )
    with listening, suppress(KeyboardInterrupt):  # Ctrl+C is how it ends
        uvicorn.Server(config).run(sockets=[listening])


def _listen(host: str, port: int) -> socket.socket:
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        listening = socket.socket(family, kind, protocol)
    except OSError as error:
        raise InspectorError(f"{host} is no address of this machine: {error.strerror or error}.") from error
    try:
        if os.name == "posix":
            # Lets a restart take the port at once; on Windows it would let two programs share it.
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
        listening.listen()
    except OSError as error:
        listening.close()
        raise InspectorError(
            f"Port {port} of {host} cannot be used: {error.strerror or error}. Choose another one with --port."
        ) from error
    return listening


def _make_known(data_dir: Path) -> None:
    """Tell the pages, which read the settings when they start, where the data lies."""
    os.environ[DATA_DIR_VARIABLE] = str(data_dir)
