"""When pieces can come out, as a calendar for the phone: iCalendar, RFC 5545."""

import uuid
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from icalendar import Calendar, Event

from inspector.workshop.planning import DuePiece

__all__ = ["due_calendar"]

# How long the entry is in the calendar; demolding one ornament takes less (common practice, no source).
_LENGTH = timedelta(minutes=30)


def due_calendar(pieces: Sequence[DuePiece], *, now: datetime) -> bytes:
    """Write one event for each piece at the time when it can come out, those that never will left out.

    The same piece keeps its UID, so that a phone which takes the calendar in again moves the event instead of adding
    another.

    Parameters
    ----------
    pieces : sequence of DuePiece
        Those in their molds.
    now : datetime
        When the calendar is written.
    """
    calendar = Calendar()
    calendar.add("prodid", "-//Inspector//Pieces to demold//EN")
    calendar.add("version", "2.0")
    for piece in pieces:
        if piece.ready_at is None:
            continue
        start = piece.ready_at.astimezone(UTC)
        event = Event()
        event.add("uid", str(uuid.uuid5(uuid.NAMESPACE_OID, _name(piece))))
        event.add("dtstamp", now.astimezone(UTC).replace(microsecond=0))
        event.add("dtstart", start)
        event.add("dtend", start + _LENGTH)
        event.add("summary", f"Demold {piece.mold} (pour {piece.pour_id})")
        event.add("description", _description(piece))
        calendar.add_component(event)
    return calendar.to_ical()


def _name(piece: DuePiece) -> str:
    return f"{piece.poured_at.astimezone(UTC).isoformat()} pour {piece.pour_id} in {piece.mold}"


def _description(piece: DuePiece) -> str:
    source = "a start from practice, not enough evidence yet" if piece.from_practice else "by the window of this mold"
    return (
        f"Can come out from now on, at {100 * piece.needed_fraction:.0f} % of its 28-day strength: {source}. "
        "Young concrete is damp and alkaline: wear gloves, and lift heavy pieces with help."
    )
