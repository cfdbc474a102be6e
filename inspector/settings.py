"""Where the workshop's data lies and where its pages are served: read once at start, then passed down."""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import platformdirs

__all__ = ["DATA_DIR_VARIABLE", "DEFAULT_HOST", "DEFAULT_PORT", "Settings", "read_settings"]

DATA_DIR_VARIABLE = "INSPECTOR_DATA"
DEFAULT_HOST = "127.0.0.1"
DEFAULT_PORT = 8417
# A 60-megapixel JPEG of a phone has 15 to 35 MB.
DEFAULT_MAX_PHOTO_BYTES = 100_000_000


@dataclass(frozen=True, slots=True)
class Settings:
    """What may differ from one installation to the next."""

    data_dir: Path
    """Folder of the log and its photos: `--data`, else INSPECTOR_DATA, else the user's data folder."""
    host: str = DEFAULT_HOST
    """Address that the pages are served on: `--host`."""
    port: int = DEFAULT_PORT
    """Port that the pages are served on: `--port`."""
    max_photo_bytes: int = DEFAULT_MAX_PHOTO_BYTES
    """Largest file that the pages take as a photo."""


def read_settings(
    *,
    data_dir: Path | None = None,
    host: str = DEFAULT_HOST,
    port: int = DEFAULT_PORT,
    environ: Mapping[str, str] = os.environ,
) -> Settings:
    """Read the settings from what was asked for, then the environment, then the defaults.

    Parameters
    ----------
    data_dir : Path, optional
        Folder asked for on the command line.
    host, port
        Address to serve on.
    environ : mapping
        Environment variables; INSPECTOR_DATA names the data folder.
    """
    if data_dir is None:
        from_environ = environ.get(DATA_DIR_VARIABLE, "").strip()
        data_dir = (
            Path(from_environ) if from_environ else Path(platformdirs.user_data_dir("inspector", appauthor=False))
        )
    return Settings(data_dir=data_dir.expanduser().absolute(), host=host, port=port)
