from datetime import UTC, datetime, timedelta, timezone

import pytest

from inspector.errors import InputError
from inspector.workshop.times import with_offset


def test_a_time_without_an_offset_is_of_this_machine():
    at = with_offset(datetime(2026, 5, 4, 16, 30))  # noqa: DTZ001 - that is the question
    assert at.replace(tzinfo=None) == datetime(2026, 5, 4, 16, 30)  # noqa: DTZ001
    assert at.utcoffset() is not None


def test_an_offset_that_was_given_stays():
    at = datetime(2026, 5, 4, 16, 30, tzinfo=timezone(timedelta(hours=-3)))
    assert with_offset(at).isoformat() == "2026-05-04T16:30:00-03:00"


@pytest.mark.parametrize(
    "at",
    [
        datetime(1, 1, 1),  # noqa: DTZ001
        datetime(9999, 12, 31, 23, 59),  # noqa: DTZ001
        datetime(1, 1, 1, tzinfo=timezone(timedelta(hours=14))),  # lies before the first day in UTC
        datetime(9999, 12, 31, 23, 59, tzinfo=timezone(timedelta(hours=-12))),
        datetime(202, 5, 4, tzinfo=UTC),
    ],
)
def test_a_year_in_which_no_workshop_works_is_a_slip(at):
    with pytest.raises(InputError, match=r" is no time of a workshop\. Check the year\.$"):
        with_offset(at)
