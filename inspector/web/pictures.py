"""Right-sized pictures of the photos, made once and kept beside the log.

What is kept here is made from the photos and can be deleted at any time. Names are a photo's content hash
and a size, so a picture never goes stale.
"""

import logging
import os
import tempfile
from collections.abc import Callable
from pathlib import Path, PurePath

from starlette.requests import Request
from starlette.responses import Response

from inspector.settings import Settings

__all__ = ["SIZES_PX", "find_kept", "kept_picture", "picture_response"]

_logger = logging.getLogger(__name__)

# Longest side: a thumbnail on a phone of high density; a photo that fills a phone; one that fills a laptop's window.
SIZES_PX = (400, 800, 1600)

_MEDIA_TYPES = {".jpg": "image/jpeg", ".svg": "image/svg+xml"}


def kept_picture(folder: Path, name: str, make: Callable[[], bytes]) -> bytes:
    """A picture from the folder, made and kept there first where it is missing.

    Parameters
    ----------
    folder : Path
        Where pictures are kept; made where missing.
    name : str
        File name, from hashes and numbers only.
    make : callable
        Gives the picture's bytes.
    """
    path = folder / name
    try:
        return path.read_bytes()
    except FileNotFoundError:
        data = make()
    try:
        _keep(path, data)
    except OSError:  # a full disk keeps nobody from looking
        _logger.warning("picture %s could not be kept", path, exc_info=True)
    return data


def find_kept(request: Request, name: str) -> bytes | None:
    """A picture that was made before; None where there is none of that name."""
    try:
        return (_folder(request) / name).read_bytes()
    except FileNotFoundError:
        return None


def picture_response(request: Request, name: str, make: Callable[[], bytes]) -> Response:
    """A kept picture, or the word that the browser has it already; what it is, the end of its name tells."""
    # Asked for anew each time (the same address may be served from another data folder tomorrow), but
    # answered without the picture while the browser has it.
    headers = {"ETag": f'"{name}"', "Cache-Control": "private, no-cache"}
    if headers["ETag"] in [tag.strip() for tag in request.headers.get("if-none-match", "").split(",")]:
        return Response(status_code=304, headers=headers)
    media_type = _MEDIA_TYPES[PurePath(name).suffix]
    return Response(kept_picture(_folder(request), name, make), media_type=media_type, headers=headers)


def _folder(request: Request) -> Path:
    settings: Settings = request.app.state.settings
    return settings.data_dir / "pictures"


def _keep(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    # Another request may be making the same: each writes a file of its own, and the last one moved stays.
    handle, unfinished = tempfile.mkstemp(dir=path.parent, suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        _move(Path(unfinished), path)
    finally:
        Path(unfinished).unlink(missing_ok=True)


def _move(unfinished: Path, path: Path) -> None:
    try:
        unfinished.replace(path)
    except PermissionError:
        # Windows refuses while another request reads the same picture, which is then there already.
        if not path.exists():
            raise
