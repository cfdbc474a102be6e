"""Times as people and cameras give them: one without an offset is of this machine's time zone."""

from datetime import datetime

__all__ = ["with_offset"]


def with_offset(at: datetime) -> datetime:
    """Take a time without an offset as one of this machine's time zone."""
    return at.astimezone() if at.tzinfo is None else at
