"""Wrong tries at passwords, kept so that a restart does not forget them."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import delete, select

from inspector.log.access_tables import WrongGuessRow
from inspector.log.opening import Log

__all__ = ["WrongGuesses", "forget_wrong_guesses", "keep_wrong_guesses", "list_wrong_guesses"]


@dataclass(frozen=True, slots=True)
class WrongGuesses:
    """How often somebody tried in vain, and when last."""

    tries: int
    last_at: datetime


def list_wrong_guesses(log: Log, *, since: datetime) -> dict[bytes, WrongGuesses]:
    """List wrong tries, the last of which came after a time, by a hash of what they are counted for."""
    with log.reading() as session:
        rows = session.scalars(select(WrongGuessRow).where(WrongGuessRow.last_at > since))
        return {row.key_sha256: WrongGuesses(row.tries, row.last_at) for row in rows}


def keep_wrong_guesses(log: Log, counts: Mapping[bytes, WrongGuesses]) -> None:
    """Write down how many wrong tries there were, in place of what was written before; none is forgotten."""
    with log.writing() as session:
        rows = session.scalars(select(WrongGuessRow).where(WrongGuessRow.key_sha256.in_(counts)))
        known = {row.key_sha256: row for row in rows}
        for key, count in counts.items():
            row = known.get(key)
            if row is None and count.tries:
                session.add(WrongGuessRow(key_sha256=key, tries=count.tries, last_at=count.last_at))
            elif row is not None and count.tries:
                row.tries, row.last_at = count.tries, count.last_at
            elif row is not None:
                session.delete(row)


def forget_wrong_guesses(log: Log, *, but: Collection[bytes]) -> None:
    """Forget all wrong tries but those of some keys."""
    with log.writing() as session:
        session.execute(delete(WrongGuessRow).where(WrongGuessRow.key_sha256.not_in(but)))
