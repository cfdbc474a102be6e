"""Times as people and cameras give them: one without an offset is of this machine's time zone."""

from datetime import datetime

from inspector.errors import InputError

__all__ = ["with_offset"]

# What lies outside is a slip of the pen; the first and the last days that there are have no time in UTC.
_YEARS = range(1900, 2200)


def with_offset(at: datetime) -> datetime:
    """Take a time without an offset as one of this machine's time zone.

    Raises
    ------
    InputError
        If no workshop works in its year.
    """
    if at.year not in _YEARS:
        raise InputError(f"{at.isoformat(sep=' ', timespec='minutes')} is no time of a workshop. Check the year.")
    return at.astimezone() if at.tzinfo is None else at
