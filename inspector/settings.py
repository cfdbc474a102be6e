"""Where the workshop's data lies and where its pages are served: read once at start, then passed down."""

import ipaddress
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import platformdirs

from inspector.errors import InputError

__all__ = [
    "DATABASE_VARIABLE",
    "DATA_DIR_VARIABLE",
    "DEFAULT_HOST",
    "DEFAULT_PORT",
    "ENGINE_VARIABLE",
    "PHOTOS_VARIABLE",
    "SITE_VARIABLE",
    "Comparison",
    "Settings",
    "is_loopback",
    "read_settings",
]

DATA_DIR_VARIABLE = "INSPECTOR_DATA"
DATABASE_VARIABLE = "INSPECTOR_DATABASE"
PHOTOS_VARIABLE = "INSPECTOR_PHOTOS"
SITE_VARIABLE = "INSPECTOR_SITE"
ENGINE_VARIABLE = "INSPECTOR_ENGINE"
DEFAULT_HOST = "127.0.0.1"
DEFAULT_PORT = 8417
# A 60-megapixel JPEG of a phone has 15 to 35 MB.
DEFAULT_MAX_PHOTO_BYTES = 100_000_000

# How photos are compared: the classic way alone, or by what was learned from examples, too.
Comparison = Literal["classic", "both"]


@dataclass(frozen=True, slots=True)
class Settings:
    """What may differ from one installation to the next."""

    data_dir: Path
    """Folder of the log and its photos: `--data`, else INSPECTOR_DATA, else the user's data folder."""
    database: str | None = None
    """URL of the log's database where a server keeps it: `--database`, else INSPECTOR_DATABASE; None for a file."""
    photos: str | None = None
    """URL of an object store that keeps the photos: `--photos`, else INSPECTOR_PHOTOS; None for the data folder."""
    site: str | None = None
    """Which of several sites of the log commands are about: `--site`, else INSPECTOR_SITE."""
    engine: Comparison = "both"
    """How photos are compared: `--engine`, else INSPECTOR_ENGINE."""
    host: str = DEFAULT_HOST
    """Address that the pages are served on: `--host`."""
    port: int = DEFAULT_PORT
    """Port that the pages are served on: `--port`."""
    max_photo_bytes: int = DEFAULT_MAX_PHOTO_BYTES
    """Largest file that the pages take as a photo."""
    allowed_hosts: tuple[str, ...] = ()
    """Names that browsers may call this machine by, besides its own and its addresses: `--allowed-host`."""
    proxies: tuple[str, ...] = ()
    """Addresses of proxies that are believed who they pass on: `--proxy`."""
    metrics: bool = False
    """Whether figures of the running program are given at /metrics: `--metrics`."""

    @property
    def needs_accounts(self) -> bool:
        """Whether others than the people at this machine can reach the pages, so that all have to sign in."""
        return not is_loopback(self.host) or bool(self.allowed_hosts) or bool(self.proxies)


def is_loopback(host: str) -> bool:
    """Whether an address reaches only programs of the same machine."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def read_settings(
    *,
    data_dir: Path | None = None,
    database: str | None = None,
    photos: str | None = None,
    site: str | None = None,
    engine: Comparison | None = None,
    host: str = DEFAULT_HOST,
    port: int = DEFAULT_PORT,
    allowed_hosts: Sequence[str] = (),
    proxies: Sequence[str] = (),
    metrics: bool = False,
    environ: Mapping[str, str] = os.environ,
) -> Settings:
    """Read the settings from what was asked for, then the environment, then the defaults.

    Parameters
    ----------
    data_dir : Path, optional
        Folder asked for on the command line.
    database : str, optional
        Database asked for on the command line.
    photos : str, optional
        Store of photos asked for on the command line.
    site : str, optional
        Site asked for on the command line.
    engine : {"classic", "both"}, optional
        Comparison asked for on the command line.
    host, port
        Address to serve on.
    allowed_hosts, proxies, metrics
        How the pages are reached, and whether they tell figures of themselves.
    environ : mapping
        Environment variables; INSPECTOR_DATA names the data folder, INSPECTOR_DATABASE the database,
        INSPECTOR_PHOTOS the store of photos, INSPECTOR_SITE the site, INSPECTOR_ENGINE the comparison.

    Raises
    ------
    InputError
        If INSPECTOR_ENGINE names no comparison.
    """
    if data_dir is None:
        from_environ = environ.get(DATA_DIR_VARIABLE, "").strip()
        data_dir = (
            Path(from_environ) if from_environ else Path(platformdirs.user_data_dir("inspector", appauthor=False))
        )
    return Settings(
        data_dir=data_dir.expanduser().absolute(),
        database=database or environ.get(DATABASE_VARIABLE, "").strip() or None,
        photos=photos or environ.get(PHOTOS_VARIABLE, "").strip() or None,
        site=site or environ.get(SITE_VARIABLE, "").strip() or None,
        engine=_comparison(environ.get(ENGINE_VARIABLE, "").strip()) if engine is None else engine,
        host=host,
        port=port,
        allowed_hosts=tuple(allowed_hosts),
        proxies=tuple(proxies),
        metrics=metrics,
    )


def _comparison(text: str) -> Comparison:
    if text in ("", "both"):
        return "both"
    if text == "classic":
        return "classic"
    raise InputError(f"The variable {ENGINE_VARIABLE} says {text!r}: write classic or both, or leave it out.")
