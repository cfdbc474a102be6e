import json
import re
from datetime import UTC, datetime

import pytest

from inspector.errors import SignInError
from inspector.log import open_log
from inspector.workshop import Access

PASSWORD = "four words in a row"


@pytest.fixture
def access(folder):
    opened = open_log(folder / "data")
    yield Access(opened)
    opened.close()


def code_in(output):
    return re.search(r"/set-password\?code=([\w-]+)", output)[1]


def set_password(access, output):
    return access.use_link(code_in(output), name="", password=PASSWORD, now=datetime.now(UTC))


def test_an_account_from_its_making_to_its_removal(run, access):
    set_password(access, run("account", "add", "Marta", "--role", "manage").output)
    made = run("account", "add", "Jonas")
    assert "once and within two days" in made.output
    assert set_password(access, made.output).role == "record"
    assert run("account", "role", "jonas", "see").output == "Jonas has the role see now.\n"
    rows = json.loads(run("account", "list", "--json").output)
    assert [(row["name"], row["role"]) for row in rows] == [("Jonas", "see"), ("Marta", "manage")]
    assert "Jonas" in run("account", "list").output
    run("account", "remove", "Jonas")
    with pytest.raises(SignInError):
        access.sign_in("Jonas", PASSWORD, address="", now=datetime.now(UTC))
    assert "role: record -> see" in run("history", "site_role").output
    assert "argon2" not in run("history", "account").output


def test_a_link_for_who_forgot_the_password(run, access):
    set_password(access, run("account", "add", "Marta").output)
    again = run("account", "link", "MARTA").output
    access.use_link(code_in(again), name="", password="other words in a row", now=datetime.now(UTC))
    access.sign_in("Marta", "other words in a row", address="", now=datetime.now(UTC))


@pytest.mark.parametrize(
    "command",
    ["account link Marta", "account role Marta see", "account remove Marta", "token revoke display"],
)
def test_what_is_not_there_is_told(run, command):
    result = run(*command.split())
    assert result.exit_code == 1
    assert "There is no" in result.stderr


def test_the_last_manager_stays_one(run, access):
    set_password(access, run("account", "add", "Marta", "--role", "manage").output)
    result = run("account", "remove", "Marta")
    assert result.exit_code == 1
    assert "Marta is the only one who may manage accounts" in result.stderr


def test_a_token_is_shown_once_and_is_of_no_use_after_it_was_revoked(run, access):
    code = run("token", "add", "door display").output.splitlines()[-1]
    assert access.token(code, now=datetime.now(UTC)).role == "see"
    assert code not in run("token", "list").output
    assert json.loads(run("token", "list", "--json").output)[0]["last used"] is not None
    run("token", "revoke", "door display")
    assert access.token(code, now=datetime.now(UTC)) is None
    assert run("token", "list").output == "No script has a token.\n"


@pytest.mark.parametrize("given", ["--certificate", "--key"])
def test_a_certificate_needs_its_key(run, photos, given):
    result = run("serve", given, "list.jpg")
    assert result.exit_code == 2
    assert "give both --certificate and --key" in result.stderr


def test_a_file_that_is_no_certificate_is_told(run, photos):
    result = run("serve", "--certificate", "list.jpg", "--key", "list.jpg")
    assert result.exit_code == 1
    assert "list.jpg and list.jpg cannot be used together as certificate and key" in result.stderr
