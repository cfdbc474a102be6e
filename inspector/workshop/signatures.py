"""What molds are recognised by, kept between runs: making it anew from all reference photos takes a minute or more.

The folder can be deleted at any time; what is missing is made again.
"""

import hashlib
import zipfile
from collections.abc import Callable
from pathlib import Path
from tempfile import NamedTemporaryFile
from threading import Lock

import numpy as np

from inspector.inspection import Reference
from inspector.inspection.engine import Engine
from inspector.inspection.recognising import SIGNATURE_VERSION, Signature, make_signature
from inspector.log.records import MoldReference, Points

__all__ = ["KeptSignatures"]


class KeptSignatures:
    """Signatures of references, in memory and in a folder beside the log.

    Parameters
    ----------
    engine : Engine
        What makes them.
    folder : Path
        Made where missing.
    prepare : callable
        Gives a logged reference as the engine takes it.
    sha256_of : callable
        Gives the content hash of a logged photo, by its number.
    """

    def __init__(
        self,
        engine: Engine,
        folder: Path,
        *,
        prepare: Callable[[MoldReference], Reference],
        sha256_of: Callable[[int], str],
    ) -> None:
        self._engine = engine
        self._folder = folder
        self._prepare = prepare
        self._sha256_of = sha256_of
        self._kept: dict[str, Signature] = {}
        self._lock = Lock()  # two threads that need the same one would both do the work

    def get(self, reference: MoldReference) -> Signature:
        """Give the signature of a reference."""
        # What was found follows from the photo; what a person drew does not.
        drawn = "" if reference.outlined_by is None else f"-{_code(reference.outline_xy)}"
        with self._lock:
            key = f"{self._sha256_of(reference.photo_id)}{drawn}"
            if key not in self._kept:
                name = f"{key}-{self._engine.version}-{SIGNATURE_VERSION}.npz"
                self._kept[key] = self._from_file(self._folder / name, reference)
            return self._kept[key]

    def _from_file(self, path: Path, reference: MoldReference) -> Signature:
        try:
            with np.load(path, allow_pickle=False) as kept:
                return make_signature(kept["gray"], kept["mask"], on_mat=bool(kept["on_mat"]))
        except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
            signature = self._engine.sign_reference(self._prepare(reference))
            _write(path, signature)
            return signature


def _code(outline_xy: Points) -> str:
    return hashlib.sha256(repr(outline_xy).encode()).hexdigest()[:16]


def _write(path: Path, signature: Signature) -> None:
    """Keep a signature; a folder that cannot be written to only costs time later."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with NamedTemporaryFile(dir=path.parent, suffix=".part", delete=False) as file:
            np.savez(file, gray=signature.gray, mask=signature.mask, on_mat=np.array(signature.on_mat))
        Path(file.name).replace(path)
    except OSError:
        return
