"""Photos that are kept first and inspected afterwards, so that many can come at once and none is lost by a restart.

The queue is the log: a photo waits from the transaction that logs it to the one that logs its inspection. Any number of
workers, of one program or several, work it off with `PhotoQueue.inspect_next`.
"""

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

from inspector import log
from inspector.errors import InputError, InspectorError, OutOfReachError, UnsureError
from inspector.imaging.reading import Photo
from inspector.inspection.engine import Engine, inspect_best_view
from inspector.log import AwaitingPhoto, ClaimedPhoto, PhotoSending, PhotoToInspect
from inspector.workshop.comparison import CompareWith
from inspector.workshop.keeping import keep_photo
from inspector.workshop.times import with_offset
from inspector.workshop.translating import to_log, unusable

__all__ = ["KeptNow", "PhotoQueue"]

# A claim is renewed several times before it runs out, and a photo of a killed worker waits no longer than this.
LEASE_S = 20.0
_RENEWED_EVERY_S = 5.0
# A photo that ends its worker this often is left alone: one worker may have died of something else.
MOST_TRIES = 2
# A claim runs out where the machine has no time for it, which is no fault of the photo; or where a photo takes all of
# the program down with it, which may not go on for ever.
MOST_LAPSES = 10

_logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class KeptNow:
    """A photo that is in the log."""

    photo_id: int
    piece_id: int | None
    """None while nobody knows what it shows."""
    already_logged: bool
    """The same photo, byte for byte, was logged before; nothing was added."""
    notes: tuple[str, ...]
    """What the person should know."""


class CheckComparable(Protocol):
    """Raises InputError if there is nothing to compare a photo with."""

    def __call__(self, mold: str | None, *, pour_id: int | None, view: str | None) -> None: ...


class Recognise(Protocol):
    """The mold and view of a photo; raises UnsureError if nobody can be sure."""

    def __call__(self, photo: Photo, *, pour_id: int | None, view: str | None) -> tuple[str, str | None]: ...


class PhotoQueue:
    """The photos of an open log that wait for their inspection.

    Parameters
    ----------
    opened : Log
    engine : Engine
    compare_with, check_comparable, recognise : callable
        Of the workshop: what photos are compared with.
    of_site : callable
        The queue of one site, which a photo is inspected by: it is compared with the molds of its own site.
    """

    def __init__(
        self,
        opened: log.Log,
        engine: Engine,
        *,
        compare_with: CompareWith,
        check_comparable: CheckComparable,
        recognise: Recognise,
        of_site: Callable[[int], "PhotoQueue"],
    ) -> None:
        self._log = opened
        self._engine = engine
        self._compare_with = compare_with
        self._check_comparable = check_comparable
        self._recognise = recognise
        self._of_site = of_site

    def keep(
        self,
        data: bytes,
        *,
        name: str,
        mold: str | None = None,
        pour_id: int | None = None,
        demolded_at: datetime | None = None,
        piece_id: int | None = None,
        view: str | None = None,
        sending: PhotoSending | None = None,
    ) -> KeptNow:
        """Keep a photo of a piece; when this returns it is on disk and in the log, to be inspected.

        Parameters are those of `Workshop.record`.

        Raises
        ------
        PhotoError
            If the file is not a readable photo; nothing is kept then.
        InputError
            If mold, pour, piece or view are unknown or have nothing to compare with, or the demolding lies before the
            pour.
        """
        sha256 = log.sha256_of(data)
        before = log.find_photo_by_content(self._log, sha256)
        if before is not None and before.piece_id is not None:
            self._log.photos.keep(data)  # puts it back, if its file was lost or damaged meanwhile
            sent_before = sending is not None and log.note_sending(self._log, sending, photo_id=before.id)
            return self._kept(before.id, before.piece_id, mold=mold, already_logged=not sent_before)
        sent_piece_id = None if sending is None else log.find_sent_piece(self._log, sending.piece_key)
        if sent_piece_id is not None:
            piece_id, pour_id, demolded_at = sent_piece_id, None, None  # the piece has its pour and its time already
        photo = self._engine.read_photo(data, name=name)
        if piece_id is None and demolded_at is None:
            demolded_at = photo.taken_at
        demolded_at = None if demolded_at is None else with_offset(demolded_at)
        if mold is None and piece_id is not None:
            mold = log.find_piece(self._log, piece_id).piece.mold
        if mold is not None:
            log.check_piece(
                self._log, mold=mold, pour_id=pour_id, demolded_at=demolded_at, piece_id=piece_id, view=view
            )
        self._check_comparable(mold, pour_id=pour_id, view=view)
        kept = log.keep_for_inspection(
            self._log,
            PhotoToInspect(
                photo=keep_photo(self._log, data, photo),
                mold=mold,
                pour_id=pour_id,
                demolded_at=demolded_at,
                piece_id=piece_id,
                view=view,
                sending=sending,
            ),
        )
        already_logged = not kept.added and not kept.sent_before
        return self._kept(kept.photo_id, kept.piece_id, mold=mold, already_logged=already_logged)

    def name_mold(self, photo_id: int, *, mold: str) -> None:
        """Say of which mold a photo is that could not be recognised; it is inspected then.

        Raises
        ------
        InputError
            If nobody was asked, or the mold is unknown or has nothing to compare with.
        """
        self._check_comparable(mold, pour_id=None, view=None)
        log.name_refused(self._log, photo_id, mold=mold)

    def leave_out(self, photo_id: int) -> None:
        """Ask no more what a photo shows that could not be recognised; the photo itself stays."""
        log.drop_refused(self._log, photo_id)

    def find(self, photo_id: int) -> AwaitingPhoto | None:
        """Tell how it stands with a photo; None where it does not wait."""
        return log.find_awaiting(self._log, photo_id)

    def count(self) -> int:
        """Count the photos that wait for their inspection."""
        return log.count_awaiting(self._log)

    def unrecognised(self) -> tuple[AwaitingPhoto, ...]:
        """List the photos of which a person has to say what they show."""
        return log.list_refused(self._log)

    def release(self, *, worker: str, was_stopped: bool = False) -> None:
        """Let others inspect what a worker that has ended had claimed; that it was stopped is no fault of the photo."""
        log.release_claims(self._log, worker=worker, was_stopped=was_stopped)

    def inspect_next(self, *, worker: str) -> int | None:
        """Claim the photo that waits longest, inspect it, and log what was found.

        Parameters
        ----------
        worker : str
            Unlike that of any other worker, of this program or another one.

        Returns
        -------
        photo_id : int, optional
            None where none waits.

        Raises
        ------
        InspectorError
            If the log or what keeps the photos cannot be used; the photo waits on.
        """
        claim = log.claim_photo(self._log, worker=worker, lease=timedelta(seconds=LEASE_S))
        if claim is None:
            return None
        self._of_site(claim.site_id)._inspect_claimed(claim)
        return claim.photo.id

    def _inspect_claimed(self, claim: ClaimedPhoto) -> None:
        """Inspect a photo, or leave it to people with the reason."""
        name = claim.photo.name
        if claim.tries > MOST_TRIES:
            what = "ended the program that inspected it twice, likely for want of memory"
            self._give_up(claim, f"Photo {name} {what}. Look at the piece yourself.")
            return
        if claim.lapses > MOST_LAPSES:
            begun = claim.tries + claim.lapses - 1
            self._give_up(claim, f"Photo {name} was begun {begun} times and never ended. Look at the piece yourself.")
            return
        try:
            with self._renewing(claim):
                self._inspect(claim)
        except UnsureError as error:
            log.refuse_claim(self._log, claim, reason=str(error), likely=error.likely)
        except InputError as error:
            self._give_up(claim, str(error))
        except OutOfReachError:
            log.return_claim(self._log, claim)
            raise
        except InspectorError:
            raise  # the log itself cannot be used: the photo waits on
        except Exception as error:  # a fault of the program: told, and the other photos go on
            _logger.error("photo %s", claim.photo.id, exc_info=True)
            reason = f"The program failed on photo {name} ({type(error).__name__}: {error}). Please report it."
            self._give_up(claim, reason)

    def _inspect(self, claim: ClaimedPhoto) -> None:
        data = log.read_photo_file(self._log, claim.photo.id).data
        photo = self._engine.read_photo(data, name=claim.photo.name)
        mold, view = claim.mold, claim.view
        if mold is None:
            mold, view = self._recognise(photo, pour_id=claim.pour_id, view=view)
        comparison = self._compare_with(mold, view=view)
        inspection = inspect_best_view(photo, comparison.models, engine=self._engine)
        new = to_log(inspection, engine_version=self._engine.version, compared_with=comparison.code)
        piece_id = log.finish_claim(self._log, claim, new, mold=mold, view=view)
        if piece_id is not None:
            said = {
                "photo": claim.photo.id,
                "piece": piece_id,
                "bytes": claim.photo.byte_count,
                "status": new.status,
                "findings": len(new.findings),
                "seconds": round(new.seconds, 3),
            }
            _logger.info("photo", extra={"said": said})

    def _give_up(self, claim: ClaimedPhoto, reason: str) -> None:
        """Leave a photo that cannot be inspected to people: its piece with the reason, or it with the question."""
        if claim.mold is None:
            log.refuse_claim(self._log, claim, reason=reason, likely=())
            return
        new = unusable(reason, engine_version=self._engine.version, compared_with=None)
        log.finish_claim(self._log, claim, new, mold=claim.mold, view=claim.view)

    @contextmanager
    def _renewing(self, claim: ClaimedPhoto) -> Iterator[None]:
        """Keep a claim for as long as the photo is worked on."""
        done = threading.Event()

        def renew() -> None:
            while not done.wait(_RENEWED_EVERY_S):
                try:
                    log.renew_claim(self._log, claim, lease=timedelta(seconds=LEASE_S))
                except InspectorError as error:  # tried again in a while; at worst another one inspects it as well
                    _logger.warning("photo %s: %s", claim.photo.id, error)

        thread = threading.Thread(target=renew, name="renew", daemon=True)
        thread.start()
        try:
            yield
        finally:
            done.set()
            thread.join()

    def _kept(self, photo_id: int, piece_id: int | None, *, mold: str | None, already_logged: bool) -> KeptNow:
        notes: list[str] = []
        if piece_id is not None and mold is not None:
            logged = log.find_piece(self._log, piece_id).piece.mold
            if logged != mold:
                notes.append(f"It was logged as piece {piece_id} of mold {logged}, not {mold}.")
        return KeptNow(photo_id, piece_id, already_logged=already_logged, notes=tuple(notes))
