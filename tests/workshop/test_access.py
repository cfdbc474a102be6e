import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median

import pytest
from argon2 import PasswordHasher, extract_parameters
from argon2.low_level import Type
from argon2.profiles import CHEAPEST

from inspector.errors import InputError, SignInError
from inspector.log import Log, LogPlace, back_up, check_log, open_log, restore
from inspector.workshop.access import Access
from inspector.workshop.guesses import FREE_TRIES
from tests.doubles.places import only_sqlite

PASSWORD = "four words in a row"
NOW = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)


@pytest.fixture
def opened(place: LogPlace) -> Iterator[Log]:
    with closing(open_log(place)) as opened:
        yield opened


@pytest.fixture
def access(opened: Log, monkeypatch: pytest.MonkeyPatch) -> Access:
    """Access to an empty log, with passwords that are hashed as no workshop should."""
    monkeypatch.setattr("inspector.workshop.access.RFC_9106_LOW_MEMORY", CHEAPEST)
    return Access(opened)


@pytest.fixture
def real_access(opened: Log) -> Access:
    return Access(opened)


def with_password(access: Access, name: str = "Rosa", *, password: str = PASSWORD) -> None:
    access.use_link(access.add_account(name, role="record", now=NOW)[1], name="", password=password, now=NOW)


@only_sqlite  # looks into the file
def test_passwords_are_hashed_as_the_rfc_recommends(real_access: Access, tmp_path: Path) -> None:
    with_password(real_access)
    with closing(sqlite3.connect(tmp_path / "data" / "log.sqlite3")) as connection:
        ((hashed,),) = connection.execute("SELECT hash FROM account_password")
    used = extract_parameters(hashed)
    # RFC 9106, section 4, second recommended option: Argon2id, t = 3, p = 4, m = 2^16 KiB, 128-bit salt, 256-bit tag.
    assert (used.type, used.time_cost, used.parallelism, used.memory_cost) == (Type.ID, 3, 4, 2**16)
    assert (8 * used.salt_len, 8 * used.hash_len) == (128, 256)


def test_an_unknown_name_takes_as_long_as_a_wrong_password(real_access: Access) -> None:
    """Processor time, so that other work on the machine does not show."""
    with_password(real_access)

    def spent_s(name: str, number: int) -> float:
        began_s = time.process_time()
        with pytest.raises(SignInError):
            real_access.sign_in(name, "wrong words in a row", address=f"10.0.0.{number}", now=NOW)
        return time.process_time() - began_s

    spent_s("Ruth", 0)  # makes the hash that unknown names are held against
    known = median(spent_s("Rosa", number) for number in range(5))
    unknown = median(spent_s("Ruth", number) for number in range(5))
    assert 0.6 < unknown / known < 1.7


@pytest.mark.parametrize(
    ("password", "why"),
    [
        ("short words", "has 11 signs"),
        ("x" * 201, "201 signs"),
        ("aaaaabbbbbaaaa", "soon guessed"),
        ("Rosa Hallmayer", "soon guessed"),
    ],
)
def test_a_poor_password_is_refused_and_the_link_stays_good(access: Access, password: str, why: str) -> None:
    _, code = access.add_account("Rosa Hallmayer", role="see", now=NOW)
    with pytest.raises(InputError, match=why):
        access.use_link(code, name="", password=password, now=NOW)
    access.use_link(code, name="", password=PASSWORD, now=NOW)


def test_a_password_is_the_same_however_a_keyboard_composes_it(access: Access) -> None:
    with_password(access, "Zo\u00eb", password="vier W\u00f6rter am St\u00fcck")
    access.sign_in("zoe\u0308", "vier Wo\u0308rter am Stu\u0308ck", address="", now=NOW)


@pytest.mark.parametrize("name", ["Rosa", " rosa ", "ROSA", "\uff32osa"])
def test_names_that_look_alike_are_one(access: Access, name: str) -> None:
    access.add_account("Rosa", role="see", now=NOW)
    with pytest.raises(InputError, match="There is an account Rosa already"):
        access.add_account(name, role="manage", now=NOW)


@pytest.mark.parametrize("name", ["", "  ", "a\u202eb", "a\x00b", "x" * 61])
def test_a_name_that_cannot_be_read_is_refused(access: Access, name: str) -> None:
    with pytest.raises(InputError):
        access.add_account(name, role="see", now=NOW)


def test_the_wait_after_wrong_passwords_is_told_and_never_too_short(access: Access) -> None:
    with_password(access)

    def refused(now: datetime) -> SignInError:
        with pytest.raises(SignInError) as refusal:
            access.sign_in("Rosa", "wrong words in a row", address="10.0.0.1", now=now)
        return refusal.value

    tries = (refused(NOW) for _ in range(100))
    first = next(refusal for refusal in tries if refusal.wait_s > 0)
    a_bit_later = NOW + timedelta(seconds=first.wait_s - 0.3)
    assert "Wait a second, then try again" in str(refused(a_bit_later))  # not "0 seconds", which it is rounded to


def test_a_restart_does_not_forget_wrong_tries(opened: Log, access: Access) -> None:
    with_password(access)
    for _ in range(FREE_TRIES):
        with pytest.raises(SignInError, match="do not belong together"):
            access.sign_in("Rosa", "wrong words in a row", address="10.0.0.1", now=NOW)
    again = Access(opened)
    with pytest.raises(SignInError, match="too many wrong tries"):
        again.sign_in("Rosa", PASSWORD, address="10.0.0.1", now=NOW)
    later = NOW + timedelta(seconds=2)
    assert again.sign_in("Rosa", PASSWORD, address="10.0.0.1", now=later).account.name == "Rosa"
    with opened.reading() as session:  # who signs in rightly leaves what was wrong before
        kept = session.connection().exec_driver_sql("SELECT tries FROM wrong_guess").all()
    assert kept == [(FREE_TRIES,)] * 2
    assert Access(opened).sign_in("Rosa", PASSWORD, address="10.0.0.2", now=NOW + timedelta(days=2))


def test_who_was_removed_can_be_let_in_again_and_has_no_password_then(access: Access) -> None:
    with_password(access)
    access.remove_account(access.account_named("Rosa").id, now=NOW)
    assert access.accounts() == ()
    account, _ = access.add_account("Rosa", role="see", now=NOW)
    assert (account.role, account.password_set_at) == ("see", None)
    with pytest.raises(SignInError):
        access.sign_in("Rosa", PASSWORD, address="", now=NOW)


@only_sqlite  # looks into the file
def test_a_log_that_was_restored_lets_nobody_in_who_signed_out_since(
    opened: Log, access: Access, tmp_path: Path
) -> None:
    with_password(access)
    session = access.sign_in("Rosa", PASSWORD, address="", now=NOW).session_code
    link = access.make_link(access.account_named("Rosa").id, now=NOW)
    back_up(tmp_path / "data", tmp_path / "backup.zip")
    access.sign_out(session)
    restore(tmp_path / "backup.zip", tmp_path / "restored")
    assert check_log(tmp_path / "restored").troubles == ()
    with closing(open_log(tmp_path / "restored")) as restored:
        again = Access(restored)
        assert again.session(session, now=NOW) is None
        with pytest.raises(SignInError):
            again.link(link, now=NOW)
        again.sign_in("Rosa", PASSWORD, address="", now=NOW)


@only_sqlite  # looks into the file
def test_no_code_stands_in_the_log(access: Access, tmp_path: Path) -> None:
    with_password(access)
    signed_in = access.sign_in("Rosa", PASSWORD, address="", now=NOW)
    _, token = access.add_token("display", role="see", now=NOW)
    link = access.make_link(access.account_named("Rosa").id, now=NOW)
    codes = (signed_in.session_code, signed_in.browser_code, token, link, PASSWORD)
    written = b"".join(file.read_bytes() for file in (tmp_path / "data").glob("log.sqlite3*"))
    assert b"Rosa" in written
    assert not [code for code in codes if code.encode() in written]


@only_sqlite  # looks into the file
def test_a_hash_of_weaker_numbers_is_replaced_at_the_next_sign_in(access: Access, opened: Log, tmp_path: Path) -> None:
    with_password(access)
    stronger = Access(opened)
    stronger._hasher = PasswordHasher.from_parameters(replace(CHEAPEST, time_cost=2))
    stronger.sign_in("Rosa", PASSWORD, address="", now=NOW)
    with closing(sqlite3.connect(tmp_path / "data" / "log.sqlite3")) as connection:
        ((hashed,),) = connection.execute("SELECT hash FROM account_password")
    assert extract_parameters(hashed).time_cost == 2
    access.sign_in("Rosa", PASSWORD, address="", now=NOW)
