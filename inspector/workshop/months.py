"""Months of the workshop: which pieces belong to one, by the day that stood on the wall when they left their mold."""

import re
from dataclasses import dataclass
from datetime import datetime, timedelta

from inspector.errors import InputError

__all__ = ["Month"]

_WRITTEN = re.compile(r"(19|20|21)\d\d-(0[1-9]|1[0-2])")
# No place on earth is further from UTC; a piece may have been demolded in another time zone than this machine's.
_FURTHEST_OFFSET = timedelta(hours=28)


@dataclass(frozen=True, slots=True, order=True)
class Month:
    """One month."""

    year: int
    number: int
    """1 to 12."""

    @classmethod
    def read(cls, text: str) -> "Month":
        """Read a month as ISO 8601 has it, `2026-03`."""
        if not _WRITTEN.fullmatch(text.strip()):
            raise InputError(f"{text!r} is no month. Write year and month, as in 2026-03.")
        year, number = text.strip().split("-")
        return cls(int(year), int(number))

    def __str__(self) -> str:
        """As in `2026-03`."""
        return f"{self.year:04d}-{self.number:02d}"

    @property
    def before(self) -> "Month":
        """The month before."""
        return Month(self.year - 1, 12) if self.number == 1 else Month(self.year, self.number - 1)

    @property
    def after(self) -> "Month":
        """The month after."""
        return Month(self.year + 1, 1) if self.number == 12 else Month(self.year, self.number + 1)

    @property
    def start(self) -> datetime:
        """Its first moment in this machine's time zone."""
        return datetime(self.year, self.number, 1).astimezone()

    @property
    def search_span(self) -> tuple[datetime, datetime]:
        """From when until when to look for its pieces: somewhat more than it, for those of other time zones."""
        return self.start - _FURTHEST_OFFSET, self.after.start + _FURTHEST_OFFSET

    def holds(self, at: datetime) -> bool:
        """Tell whether a time, by its own offset, lies in this month."""
        return (at.year, at.month) == (self.year, self.number)
