"""`inspector serve`: the pages of the workshop in the browser."""

import os
import socket
import ssl
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
import uvicorn
from uvicorn.importer import import_from_string

from inspector.cli.failing import WrongUsageError, warn
from inspector.cli.log_lines import tell_what_happens
from inspector.cli.options import DatabaseOption, DataOption, EngineOption, PhotosOption
from inspector.errors import InputError, InspectorError
from inspector.inspection.networks import CLASSIC_FAULT, FAULT
from inspector.log import acting_as, open_log
from inspector.settings import DEFAULT_HOST, DEFAULT_PORT, Settings, read_settings
from inspector.workshop import Access, place_of

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
        help="Address to serve on: 0.0.0.0 for the whole network. Anything but this machine's own asks everybody to "
        "sign in; the first start prints a link that makes the first account.",
    ),
]
PortOption = Annotated[int, typer.Option("--port", min=0, max=65535, metavar="N", help="Port; 0 takes a free one.")]


@dataclass(frozen=True, slots=True)
class _Tls:
    """What proves to browsers that they talk to this machine, and keeps others from listening."""

    certificate: Path
    key: Path


def serve(
    host: HostOption = DEFAULT_HOST,
    port: PortOption = DEFAULT_PORT,
    certificate: Annotated[
        Path | None, typer.Option("--certificate", metavar="FILE", help="Speak TLS with this certificate (PEM).")
    ] = None,
    key: Annotated[
        Path | None, typer.Option("--key", metavar="FILE", help="Private key of the certificate (PEM).")
    ] = None,
    allowed_host: Annotated[
        list[str] | None,
        typer.Option(
            "--allowed-host",
            metavar="NAME",
            help="A name that browsers may call this machine by, besides its own; repeat for several.",
        ),
    ] = None,
    proxy: Annotated[
        list[str] | None,
        typer.Option(
            "--proxy",
            metavar="ADDRESS",
            help="Address of a proxy that is believed who it passes on (X-Forwarded-For, -Proto). Asks to sign in.",
        ),
    ] = None,
    metrics: Annotated[
        bool, typer.Option("--metrics", help="Give figures of the running program at /metrics, for Prometheus.")
    ] = False,
    tell: Annotated[
        bool, typer.Option("--tell", help="Tell of each request and photo on stderr, a line of JSON each.")
    ] = False,
    engine: EngineOption = None,
    data: DataOption = None,
    database: DatabaseOption = None,
    store: PhotosOption = None,
) -> None:
    """Serve the review pages until Ctrl+C.

    `/health` answers whether the log can be read and the disk has room, for a supervisor.

    Example: inspector serve --host 0.0.0.0 --certificate shop.pem --key shop.key
    """
    if tell:
        tell_what_happens()
    if (certificate is None) != (key is None):
        raise WrongUsageError("A certificate and its key go together: give both --certificate and --key.")
    settings = read_settings(
        data_dir=data,
        database=database,
        photos=store,
        engine=engine,
        host=host,
        port=port,
        allowed_hosts=allowed_host or (),
        proxies=proxy or (),
        metrics=metrics,
    )
    fault = CLASSIC_FAULT if settings.engine == "classic" else FAULT
    if fault is not None:
        warn(fault)
    serve_pages(settings, tls=None if certificate is None or key is None else _Tls(certificate, key))


def serve_pages(settings: Settings, *, tls: _Tls | None = None) -> None:
    """Serve the pages of a data folder and print their address; the first time on a network, a link for the manager.

    Raises
    ------
    InputError
        If the certificate or its key cannot be used.
    InspectorError
        If the log cannot be opened, or the address is taken or none of this machine's.
    """
    with closing(open_log(place_of(settings))) as opened:  # what is wrong is told here, not in the middle of starting
        opened.photos.check_reach()
    if tls is not None:
        _check(tls)
    listening = _listen(settings.host, settings.port)
    host, port = listening.getsockname()[:2]
    settings = replace(settings, host=host)  # what a name stood for
    address = f"{'http' if tls is None else 'https'}://{_reachable(host)}:{port}/"
    typer.echo(f"Serving {place_of(settings)} at {address} - stop with Ctrl+C.")
    if settings.needs_accounts:
        _invite_first_manager(settings, address)
    create_app = import_from_string(_PAGES)
    config = uvicorn.Config(
        lambda: create_app(settings),
        factory=True,
        log_level="warning",
        log_config=None,
        server_header=False,
        timeout_keep_alive=_KEEP_ALIVE_S,
        # Otherwise anybody at this machine would be believed to be anybody.
        proxy_headers=bool(settings.proxies),
        forwarded_allow_ips=list(settings.proxies),
        ssl_certfile=None if tls is None else tls.certificate,
        ssl_keyfile=None if tls is None else tls.key,
    )
    with listening, suppress(KeyboardInterrupt):  # Ctrl+C is how it ends
        uvicorn.Server(config).run(sockets=[listening])


def _invite_first_manager(settings: Settings, address: str) -> None:
    """Print the link that makes the first account, as long as nobody can manage others."""
    with closing(open_log(place_of(settings))) as opened, acting_as(None):
        access = Access(opened)
        if not access.has_manager():
            code = access.make_first_link(now=datetime.now(UTC))
            typer.echo(
                "Nobody can sign in yet. Whoever opens this within an hour, at any address of these pages, manages:"
            )
            typer.echo(f"  {address}set-password?code={code}")


def _reachable(host: str) -> str:
    """An address that browsers can open: of those that `0.0.0.0` and `::` stand for the one towards the network."""
    if host in {"0.0.0.0", "::"}:  # noqa: S104 - looked for, not listened on
        family, elsewhere = (socket.AF_INET6, "2001:db8::1") if ":" in host else (socket.AF_INET, "192.0.2.1")
        host = "::1" if ":" in host else "127.0.0.1"
        with suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as asking:
            asking.connect((elsewhere, 9))  # nothing is sent; RFC 5737 and 3849 keep these for examples
            host = asking.getsockname()[0]
    return f"[{host}]" if ":" in host else host


def _check(tls: _Tls) -> None:
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(tls.certificate, tls.key, password="")
    except (OSError, ssl.SSLError) as error:
        raise InputError(
            f"{tls.certificate} and {tls.key} cannot be used together as certificate and key: "
            f"{error.strerror or error}. Give PEM files that belong together, the key without a passphrase."
        ) from error


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
