import threading

from hypothesis import given
from hypothesis import strategies as st

from inspector.workshop.guesses import (
    FREE_TRIES,
    FREE_TRIES_OF_A_NAME,
    LONGEST_WAIT_OF_A_NAME_S,
    LONGEST_WAIT_S,
    MOST_REMEMBERED,
    Guesses,
    keys_of,
)

DAY_S = 24 * 3600


def tries_in_a_day(guesses: Guesses, *, name: str, addresses: list[str], every_s: float = 1.0) -> int:
    """How many wrong passwords somebody gets answered who tries all day."""
    answered, at_s = 0, 0.0
    while at_s < DAY_S:
        address = addresses[answered % len(addresses)]
        wait_s = guesses.begin(keys_of(name, address=address, known_browser=None), now_s=at_s)
        answered += wait_s == 0
        at_s += max(every_s, wait_s)
    return answered


def test_one_address_gets_some_hundred_tries_a_day() -> None:
    assert tries_in_a_day(Guesses(), name="rosa", addresses=["10.0.0.1"]) < 150


def test_many_addresses_get_one_try_a_minute_at_one_name() -> None:
    addresses = [f"10.0.{number // 250}.{number % 250}" for number in range(5000)]
    assert tries_in_a_day(Guesses(), name="rosa", addresses=addresses) < 1.02 * DAY_S / LONGEST_WAIT_OF_A_NAME_S + 20


@given(st.integers(1, 60))
def test_nobody_waits_longer_than_it_says_and_then_may_try(tries: int) -> None:
    guesses = Guesses()
    limits = keys_of("rosa", address="10.0.0.1", known_browser=None)
    now_s = 0.0
    for _ in range(tries):
        wait_s = guesses.begin(limits, now_s=now_s)
        assert wait_s <= LONGEST_WAIT_S
        now_s += wait_s
        if wait_s:
            assert guesses.begin(limits, now_s=now_s) == 0


def test_a_known_browser_is_counted_by_itself() -> None:
    guesses = Guesses()
    for number in range(3 * FREE_TRIES_OF_A_NAME):
        guesses.begin(keys_of("rosa", address=f"10.0.0.{number}", known_browser=None), now_s=0.0)
    assert guesses.begin(keys_of("rosa", address="10.9.0.1", known_browser=None), now_s=0.0) > 0
    known = keys_of("rosa", address="10.0.0.1", known_browser="hers")
    assert [guesses.begin(known, now_s=0.0) for _ in range(FREE_TRIES)] == [0] * FREE_TRIES
    assert guesses.begin(known, now_s=0.0) > 0  # a thief who has it waits like others


def test_many_tries_at_once_gain_nothing() -> None:
    guesses = Guesses()
    limits = keys_of("rosa", address="10.0.0.1", known_browser=None)
    answered = []
    threads = [
        threading.Thread(target=lambda: answered.append(guesses.begin(limits, now_s=0.0) == 0)) for _ in range(50)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(answered) == FREE_TRIES


def test_who_has_half_of_an_address_has_one_count() -> None:
    same = [keys_of("rosa", address=address, known_browser=None) for address in ("2001:db8::1", "2001:db8::ffff:2")]
    other = keys_of("rosa", address="2001:db8:0:1::1", known_browser=None)
    assert same[0] == same[1] != other
    mapped, plain = (
        keys_of("rosa", address=address, known_browser=None) for address in ("::ffff:10.0.0.1", "10.0.0.1")
    )
    assert mapped == plain


def test_a_flood_of_names_is_not_remembered_for_ever() -> None:
    guesses = Guesses()
    target = keys_of("rosa", address="10.0.0.1", known_browser=None)
    for _ in range(FREE_TRIES):
        guesses.begin(target, now_s=0.0)
    for number in range(MOST_REMEMBERED):
        guesses.begin(keys_of(f"name {number}", address=f"10.1.{number % 250}.{number}", known_browser=None), now_s=1.0)
    assert len(guesses._counts) <= MOST_REMEMBERED + 2
    assert guesses.begin(target, now_s=0.5) > 0  # whoever tried most is forgotten last
