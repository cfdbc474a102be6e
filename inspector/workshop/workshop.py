"""The use cases of the workshop: set up molds, record photos, review findings, decide what becomes of a piece.

One `Workshop` is opened at start and shared by threads; it holds the log and the prepared references.
Every method raises `InspectorError` with a sentence for the user when something cannot be done.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from inspector.log.records import (
    Admixture,
    CementClass,
    Disposition,
    LoggedPhoto,
    Mix,
    Mold,
    Outcome,
    Piece,
    PieceDetail,
    PieceFilter,
    Points,
    Pour,
    Review,
    StoredFile,
    Verdict,
)
from inspector.workshop.results import MoldDetail, Picture, Recorded, ReferenceCheck

__all__ = ["Workshop"]


class Workshop:
    """An open log together with the engine that inspects its photos."""

    @classmethod
    def open(cls, data_dir: Path) -> Self:
        """Open the workshop kept in a folder; the folder and its database are made where missing."""
        raise NotImplementedError

    def close(self) -> None:
        """Let go of the database."""
        raise NotImplementedError

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    # Molds and references

    def add_mold(self, name: str, *, title: str = "", material: str = "", release_agent: str = "", views: Iterable[str] = ("front",)) -> Mold:
        """Register a mold under a short name (letters, digits and dashes)."""
        raise NotImplementedError

    def add_mold_folder(self, folder: Path) -> tuple[Mold, tuple[ReferenceCheck, ...]]:
        """Register the mold that `mold.toml` in a folder describes, with its reference photos and features.

        Its references wait for a yes, as those of `add_reference` do. Doing it again adds only what is new.
        """
        raise NotImplementedError

    def add_reference(self, data: bytes, *, name: str, mold: str, view: str | None = None) -> ReferenceCheck:
        """Segment the piece on a photo and keep it as a reference that waits for a person's yes.

        Parameters
        ----------
        data : bytes
            The photo's file.
        name : str
            Its file name.
        mold, view : str
            What it shows; the view may be left out where the mold has one.

        Raises
        ------
        PhotoError, InputError
            If the photo is unreadable or no good reference; the reason says what to do.
        """
        raise NotImplementedError

    def confirm_reference(self, reference_id: int) -> None:
        """Say yes to a reference: from now on pieces are compared with it."""
        raise NotImplementedError

    def discard_reference(self, reference_id: int) -> None:
        """Say no to a reference that waits for a yes; the photo itself is kept."""
        raise NotImplementedError

    def reference_picture(self, reference_id: int, *, max_side_px: int = 1600) -> Picture:
        """The reference photo with its outline and features drawn on it, JPEG."""
        raise NotImplementedError

    def add_feature(self, name: str, *, reference_id: int, polygon_xy: Points) -> None:
        """Name a region of a mold's view on one of its reference photos; the same name again moves it."""
        raise NotImplementedError

    def molds(self) -> tuple[Mold, ...]:
        """All molds, by name."""
        raise NotImplementedError

    def mold(self, name: str) -> MoldDetail:
        """One mold with its references and features."""
        raise NotImplementedError

    # Mixes and pours

    def add_mix(
        self,
        name: str,
        *,
        cement_class: CementClass,
        water_cement_ratio: float,
        aggregate: str = "",
        admixtures: Sequence[Admixture] = (),
        fibres: str = "",
    ) -> Mix:
        """Register a recipe."""
        raise NotImplementedError

    def mixes(self) -> tuple[Mix, ...]:
        """All mixes, by name."""
        raise NotImplementedError

    def add_pour(self, *, mix: str, molds: Sequence[str], poured_at: datetime, cure_notes: str = "") -> Pour:
        """Register a pour; a time without an offset is taken in this machine's time zone."""
        raise NotImplementedError

    def pours(self, *, mold: str | None = None, limit: int | None = None) -> tuple[Pour, ...]:
        """Pours, latest first."""
        raise NotImplementedError

    # Recording

    def record(
        self,
        data: bytes,
        *,
        name: str,
        mold: str,
        pour_id: int | None = None,
        demolded_at: datetime | None = None,
        piece_id: int | None = None,
        view: str | None = None,
    ) -> Recorded:
        """Keep a photo of a piece, inspect it and log what was found.

        Parameters
        ----------
        data : bytes
            The photo's file.
        name : str
            Its file name.
        mold : str
            The mold the piece came out of.
        pour_id : int, optional
            The pour the piece was cast in; without it the demold age is unknown.
        demolded_at : datetime, optional
            When the piece left the mold; by default the time the photo was taken. A time without an
            offset is taken in this machine's time zone.
        piece_id : int, optional
            The piece, where this is one more photo of it; by default the photo shows a new piece.
        view : str, optional
            The side that is seen; by default the one whose reference fits.

        Returns
        -------
        recorded : Recorded
            With `already_logged` where the same bytes were logged before. A photo that cannot be judged
            (blurred, dark, of another mold) is kept as well, its inspection `unusable` with the reason.

        Raises
        ------
        PhotoError
            If the file is not a readable photo; nothing is kept then.
        InputError
            If mold, pour, piece or view are unknown, or the demolding lies before the pour.
        """
        raise NotImplementedError

    # Reading

    def pieces(self, which: PieceFilter = PieceFilter(), *, limit: int | None = None, offset: int = 0) -> tuple[Piece, ...]:
        """Logged pieces, latest demolding first."""
        raise NotImplementedError

    def pieces_waiting(self, *, mold: str | None = None, limit: int | None = None, offset: int = 0) -> tuple[Piece, ...]:
        """Pieces without a disposition, worst first; those with no usable photo last."""
        raise NotImplementedError

    def count_waiting(self, *, mold: str | None = None) -> int:
        """How many pieces wait for a disposition."""
        raise NotImplementedError

    def piece(self, piece_id: int) -> PieceDetail:
        """All that is known about one piece."""
        raise NotImplementedError

    def photo(self, photo_id: int) -> LoggedPhoto:
        """What the log knows about a photo."""
        raise NotImplementedError

    def photo_file(self, photo_id: int) -> StoredFile:
        """The photo's file, byte for byte as it came in."""
        raise NotImplementedError

    def photo_picture(self, photo_id: int, *, max_side_px: int | None = None) -> Picture:
        """The photo as a browser can show it: upright JPEG, made smaller if a side is longer than asked."""
        raise NotImplementedError

    def reference_in_photo(self, photo_id: int, *, max_side_px: int | None = None) -> Picture | None:
        """The nearest reference laid over the photo, JPEG of the same size as `photo_picture`, for flipping.

        None where the latest inspection could not lay a reference over the photo.
        """
        raise NotImplementedError

    # Reviewing

    def review(self, finding_id: int, *, verdict: Verdict, reviewer: str, kind: str | None = None) -> Review:
        """Keep a person's word on a finding; `kind` goes with the verdict `kind changed` and only with it."""
        raise NotImplementedError

    def set_disposition(self, piece_id: int, outcome: Outcome, *, decided_by: str, note: str = "") -> Disposition:
        """Keep what became of a piece; the latest word counts, earlier ones stay on record."""
        raise NotImplementedError
