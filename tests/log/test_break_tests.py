from datetime import UTC, datetime, timedelta, timezone

import pytest

from inspector import log
from inspector.errors import InputError

TESTED_AT = datetime(2026, 5, 5, 18, 30, tzinfo=timezone(timedelta(hours=2)))


def of_pour(opened, **changes):
    values = {"pour_id": 1, "tested_at": TESTED_AT, "strength_mpa": None, "word": "snaps clean", "note": ""}
    return log.add_pour_break_test(opened, **{**values, **changes})


def of_mix(opened, **changes):
    values = {
        "mix": "grey",
        "tested_at": TESTED_AT,
        "age_h": 672.0,
        "cure_degc": 20.0,
        "strength_mpa": 31.5,
        "word": None,
        "note": "cube 100 mm",
    }
    return log.add_mix_break_test(opened, **{**values, **changes})


def test_tests_are_read_as_they_were_written(stocked):
    written = (of_pour(stocked), of_mix(stocked))
    assert log.list_break_tests(stocked, with_withdrawn=False) == written
    first, second = written
    # Poured on the 4th at 16:00 UTC, tested on the 5th at 16:30 UTC.
    assert (first.pour_id, first.mix, first.age_h, first.word) == (1, "grey", 24.5, "snaps clean")
    assert first.tested_at.isoformat() == TESTED_AT.isoformat()
    assert (second.pour_id, second.mix, second.age_h, second.cure_degc, second.strength_mpa) == (
        None, "grey", 672.0, 20.0, 31.5,
    )  # fmt: skip


def test_a_withdrawn_test_counts_no_longer_and_stays_on_record(stocked):
    of_pour(stocked)
    wrong = of_mix(stocked, strength_mpa=95.0)
    log.withdraw_break_test(stocked, wrong.id, why="of another mix")
    assert [test.id for test in log.list_break_tests(stocked, with_withdrawn=False)] == [1]
    assert log.list_break_tests(stocked, with_withdrawn=True)[1].withdrawn_why == "of another mix"
    with pytest.raises(InputError, match="withdrawn before: of another mix"):
        log.withdraw_break_test(stocked, wrong.id, why="again")


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda opened: of_pour(opened, pour_id=9), "no pour 9"),
        (lambda opened: of_mix(opened, mix="gray"), "no mix gray"),
        (
            lambda opened: of_pour(opened, tested_at=datetime(2026, 5, 4, 16, 0, tzinfo=UTC)),
            "does not come after pour 1 at 2026-05-04 16:00",
        ),
        (lambda opened: log.withdraw_break_test(opened, 9, why="x"), "no break test 9"),
    ],
)
def test_what_does_not_fit_is_refused(stocked, call, message):
    with pytest.raises(InputError, match=message):
        call(stocked)
    assert log.list_break_tests(stocked, with_withdrawn=True) == ()


def test_a_test_says_either_mpa_or_a_word(stocked):
    with pytest.raises(Exception, match="ck_break_test_strength_or_word"):
        of_pour(stocked, strength_mpa=20.0)
