"""Who may reach the workshop over the network: accounts, signing in, one-time links, tokens of scripts.

Codes (of sessions, links, tokens) are 256 random bits; the log holds their SHA-256. Passwords are hashed by argon2id
with the numbers that RFC 9106 recommends where memory is short (section 4: 3 passes, 64 MiB, 4 lanes).
"""

import copy
import hashlib
import logging
import math
import secrets
import threading
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta

from argon2 import PasswordHasher
from argon2.exceptions import VerificationError
from argon2.profiles import RFC_9106_LOW_MEMORY

from inspector import log
from inspector.errors import InputError, InspectorError, SignInError
from inspector.log import ROLES, Account, AccountSession, PasswordLink, Role, ScriptToken
from inspector.workshop.guesses import Guesses, keys_of
from inspector.workshop.required import required

__all__ = [
    "IDLE_SESSION",
    "LEAST_PASSWORD_SIGNS",
    "LONGEST_SESSION",
    "Access",
    "SignedIn",
    "may",
]

_logger = logging.getLogger(__name__)

LONGEST_SESSION = timedelta(days=30)
"""After that one signs in again, however busy one was."""
IDLE_SESSION = timedelta(days=4)
"""A long weekend: a phone that lay about for longer asks for the password."""
FIRST_LINK_LASTS = timedelta(hours=1)
LINK_LASTS = timedelta(days=2)
# NIST SP 800-63B-4, 3.1.1.2, asks for 15 where nothing else is asked for, and 8 where something is; from memory. 12,
# with waits between guesses and a slow hash, is what wet fingers can be asked to type.
LEAST_PASSWORD_SIGNS = 12
_MOST_PASSWORD_SIGNS = 200
_LEAST_DIFFERENT_SIGNS = 5
_NAME_LENGTH = 60
# Being seen is written down no oftener, since each writing waits for the disk.
_SEEN_EVERY = timedelta(minutes=5)
# A token says by its look what it is, to people and to programs that look for secrets left about.
_TOKEN_BEGINS = "inspector-token-"  # noqa: S105 - no token
# Each hash takes 64 MiB.
_HASHES_AT_ONCE = 2
_LONGEST_QUEUE_S = 20.0

_WRONG = "This name and password do not belong together. Check both and try again, or ask a manager for a new link."
_LINK_IS_OVER = "This link was used already, was replaced by a newer one, or is too old. Ask for a new one."


@dataclass(frozen=True, slots=True)
class SignedIn:
    """What a browser that signed in gets, to be sent with its next requests."""

    account: Account
    session_code: str
    browser_code: str
    """By which the browser is known when its owner signs in again."""


class Access:
    """The accounts and tokens of an open log.

    Parameters
    ----------
    opened : Log
    """

    def __init__(self, opened: log.Log) -> None:
        self._log = opened
        self._hasher = PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY)
        self._hashing = threading.BoundedSemaphore(_HASHES_AT_ONCE)
        self._guesses = Guesses(opened)
        self._decoy: str | None = None

    def at(self, opened: log.Log) -> "Access":
        """Give the same over a log that is held to a site: its accounts and tokens are those of the site."""
        there = copy.copy(self)
        there._log = opened
        return there

    # Accounts

    def accounts(self) -> tuple[Account, ...]:
        """List the accounts, by name."""
        return log.list_accounts(self._log)

    def account(self, account_id: int) -> Account:
        """Find an account by its number."""
        return log.find_account(self._log, account_id)

    def account_named(self, name: str) -> Account:
        """Find an account by its name."""
        key = _name_key(name)
        for account in self.accounts():
            if _name_key(account.name) == key:
                return account
        raise InputError(f"There is no account {name}. `inspector account list` shows all.")

    def has_manager(self) -> bool:
        """Whether somebody can sign in who may make accounts."""
        return log.has_manager(self._log)

    def add_account(self, name: str, *, role: Role, now: datetime) -> tuple[Account, str]:
        """Add an account; give it with the code of the link by which its owner sets the password."""
        account = log.add_account(self._log, _checked_name(name), name_key=_name_key(name), role=role, at=now)
        return account, self.make_link(account.id, now=now)

    def set_role(self, account_id: int, role: Role, *, now: datetime) -> Account:
        """Change what somebody may do. They are signed out everywhere, so that no session outlives its rights."""
        return log.set_role(self._log, account_id, role, at=now)

    def remove_account(self, account_id: int, *, now: datetime) -> None:
        """Remove an account, sign its owner out everywhere, and revoke the tokens that they made."""
        log.remove_account(self._log, account_id, at=now)

    def site_roles(self, account_id: int) -> dict[int, Role]:
        """Tell what an account may do, by site; where the people of its sites were let look, it may look."""
        return log.find_site_roles(self._log, account_id)

    def give_role(self, name: str, role: Role, *, now: datetime) -> Account:
        """Give an account of any site a role at this one, or change it as `set_role` does."""
        account = self.at(self._log.whole()).account_named(name)
        return log.give_role(self._log, account.id, role, at=now)

    # Links

    def make_first_link(self, *, now: datetime) -> str:
        """Give the code of a link by which the first manager sets name and password; an earlier one ends."""
        code = secrets.token_urlsafe(32)
        log.add_link(self._log, _digest(code), account_id=None, expires_at=now + FIRST_LINK_LASTS)
        return code

    def make_link(self, account_id: int, *, now: datetime) -> str:
        """Give the code of a link by which the owner of an account sets a new password; an earlier one ends.

        Raises
        ------
        InputError
            If there is no such account, or it has to do with other sites as well: whoever has the link has its rights.
        """
        if log.has_role_elsewhere(self._log, account_id):
            name = log.find_account(self._log, account_id).name
            raise InputError(
                f"{name} has to do with other sites as well. A new link is made at the machine that serves these "
                "pages: inspector account link."
            )
        code = secrets.token_urlsafe(32)
        log.add_link(self._log, _digest(code), account_id=account_id, expires_at=now + LINK_LASTS)
        return code

    def link(self, code: str, *, now: datetime) -> PasswordLink:
        """Find the link of a code.

        Raises
        ------
        SignInError
            If it was used, or its time is over.
        """
        found = log.find_link(self._log, _digest(code), at=now)
        if found is None or (found.account is None and self.has_manager()):
            raise SignInError(_LINK_IS_OVER)
        return found

    def use_link(self, code: str, *, name: str, password: str, now: datetime) -> Account:
        """Set a password by a link, which is used up by that. Whoever was signed in to the account no longer is.

        Parameters
        ----------
        code : str
        name : str
            Of the first manager; else the account has one.
        password : str
        now : datetime

        Raises
        ------
        SignInError
            If the link was used, or its time is over.
        InputError
            If the name or password cannot be used; the link still can.
        """
        link = self.link(code, now=now)
        name = link.account.name if link.account is not None else _checked_name(name)
        hashed = self._hash(_checked_password(password, name=name))
        with log.acting_as(name):
            account = log.use_link(self._log, _digest(code), name=name, name_key=_name_key(name), hashed=hashed, at=now)
        if account is None:
            raise SignInError(_LINK_IS_OVER)
        return account

    # Signing in

    def sign_in(
        self,
        name: str,
        password: str,
        *,
        address: str,
        now: datetime,
        session_code: str | None = None,
        browser_code: str | None = None,
    ) -> SignedIn:
        """Sign somebody in, in a session of its own.

        Parameters
        ----------
        name, password : str
        address : str
            Where the request comes from.
        now : datetime
        session_code : str, optional
            What the browser sent so far: that session ends.
        browser_code : str, optional
            What the browser may be known by.

        Raises
        ------
        SignInError
            If name and password do not belong together, or others that did not came before.
        """
        key = _name_key(name)
        found = log.password_hash(self._log, key)
        known = (
            browser_code is not None
            and found is not None
            and log.is_known_browser(self._log, _digest(browser_code), account_id=found[0].id)
        )
        limits = keys_of(key, address=address, known_browser=_digest(browser_code or "").hex() if known else None)
        wait_s = self._guesses.begin(limits, now_s=now.timestamp())
        if wait_s > 0:
            raise SignInError(
                f"There were too many wrong tries. Wait {_in_words(wait_s)}, then try again, or ask a manager for a "
                "new link.",
                wait_s=wait_s,
            )
        # An unknown name takes as long as a wrong password, and is answered alike.
        decoy = self._decoy_hash()
        hashed = decoy if found is None else found[1]
        if not self._fits(hashed, password) or found is None:
            raise SignInError(_WRONG)
        self._guesses.was_right(limits)
        account = found[0]
        if self._hasher.check_needs_rehash(hashed):
            log.renew_hash(self._log, account.id, self._hash(_normalised(password)))
        return self._begin_session(
            account, now=now, session_code=session_code, known_by=browser_code if known else None
        )

    def begin_session(self, account: Account, *, now: datetime) -> SignedIn:
        """Begin a session for somebody who has just proved who they are by other means than a password."""
        return self._begin_session(account, now=now, session_code=None, known_by=None)

    def change_password(self, account: Account, *, old: str, new: str, address: str, now: datetime) -> None:
        """Change a password by the old one; the account is signed out everywhere.

        Raises
        ------
        SignInError
            If the old one is wrong, or wrong ones came before.
        InputError
            If the new one cannot be used.
        """
        checked = _checked_password(new, name=account.name)
        found = log.password_hash(self._log, _name_key(account.name))
        limits = keys_of(_name_key(account.name), address=address, known_browser=f"account {account.id}")
        wait_s = self._guesses.begin(limits, now_s=now.timestamp())
        if wait_s > 0:
            raise SignInError(f"There were too many wrong tries. Wait {_in_words(wait_s)}.", wait_s=wait_s)
        if found is None or not self._fits(found[1], old):
            raise SignInError("The password until now is another one. Check it and try again.")
        self._guesses.was_right(limits)
        log.set_password(self._log, account.id, self._hash(checked), at=now)

    def session(self, code: str, *, now: datetime) -> AccountSession | None:
        """Find the session of a code, if it is not over."""
        found = log.find_session(self._log, _digest(code), at=now, longest=LONGEST_SESSION, longest_idle=IDLE_SESSION)
        if found is not None and now - found.last_seen_at > _SEEN_EVERY:
            with _needed_by_nobody("when a session was last used"):
                log.touch_session(self._log, found.id, at=now)
        return found

    def sign_out(self, session_code: str) -> None:
        """End a session."""
        log.end_session(self._log, _digest(session_code))

    # Tokens of scripts

    def tokens(self) -> tuple[ScriptToken, ...]:
        """List the tokens that can be used."""
        return log.list_tokens(self._log)

    def add_token(
        self, name: str, *, role: Role, now: datetime, made_by: Account | None = None
    ) -> tuple[ScriptToken, str]:
        """Make a token; give it with what the script has to send, which is kept nowhere."""
        code = _TOKEN_BEGINS + secrets.token_urlsafe(32)
        made_by_id = None if made_by is None else made_by.id
        token = log.add_token(self._log, _checked_name(name), _digest(code), role=role, made_by_id=made_by_id, at=now)
        return token, code

    def token(self, code: str, *, now: datetime) -> ScriptToken | None:
        """Find the token of a code, unless it was revoked."""
        found = log.find_token(self._log, _digest(code))
        if found is not None and (found.last_used_at is None or now - found.last_used_at > _SEEN_EVERY):
            with _needed_by_nobody("when a token was last used"):
                log.touch_token(self._log, found.id, at=now)
        return found

    def revoke_token(self, token_id: int, *, now: datetime) -> ScriptToken:
        """Let a token be of no use any more."""
        return log.revoke_token(self._log, token_id, at=now)

    def _begin_session(
        self, account: Account, *, now: datetime, session_code: str | None, known_by: str | None
    ) -> SignedIn:
        signed_in = SignedIn(account, secrets.token_urlsafe(32), known_by or secrets.token_urlsafe(32))
        log.add_session(
            self._log,
            account.id,
            _digest(signed_in.session_code),
            at=now,
            replaces_sha256=None if session_code is None else _digest(session_code),
            browser_sha256=_digest(signed_in.browser_code) if known_by is None else None,
            outlived=now - LONGEST_SESSION,
        )
        return signed_in

    def _hash(self, password: str) -> str:
        with _Turn(self._hashing):
            return self._hasher.hash(password)

    def _fits(self, hashed: str, password: str) -> bool:
        with _Turn(self._hashing):
            try:
                return self._hasher.verify(hashed, _normalised(password)[:_MOST_PASSWORD_SIGNS])
            except VerificationError:
                return False

    def _decoy_hash(self) -> str:
        """The hash of a password that nobody knows."""
        if self._decoy is None:
            self._decoy = self._hash(secrets.token_urlsafe(32))
        return self._decoy


def may(role: Role, least: Role) -> bool:
    """Whether a role reaches another one."""
    return ROLES.index(role) >= ROLES.index(least)


class _Turn:
    """A turn at hashing, which takes memory: whoever would wait for long is sent away."""

    def __init__(self, hashing: threading.BoundedSemaphore) -> None:
        self._hashing = hashing

    def __enter__(self) -> None:
        if not self._hashing.acquire(timeout=_LONGEST_QUEUE_S):
            raise InspectorError("Too many want to sign in just now. Try again in a minute.")

    def __exit__(self, *_: object) -> None:
        self._hashing.release()


@contextmanager
def _needed_by_nobody(what: str) -> Iterator[None]:
    """Go on where the disk is full or may only be read: looking is possible all the same."""
    try:
        yield
    except InspectorError as error:
        _logger.warning("it could not be kept %s: %s", what, error)


def _digest(code: str) -> bytes:
    return hashlib.sha256(code.encode("utf-8", "surrogatepass")).digest()


def _normalised(text: str) -> str:
    """One form for what phones and laptops type differently (RFC 8265, 4.2, asks for NFC; names are folded further)."""
    return unicodedata.normalize("NFC", text)


def _name_key(name: str) -> str:
    return unicodedata.normalize("NFKC", " ".join(name.split())).casefold()


def _checked_name(name: str) -> str:
    cleaned = required(name, "name")
    if len(cleaned) > _NAME_LENGTH or any(unicodedata.category(sign).startswith("C") for sign in cleaned):
        raise InputError(f"A name has at most {_NAME_LENGTH} signs, all of them visible. Choose another one.")
    return " ".join(cleaned.split())


def _checked_password(password: str, *, name: str) -> str:
    normal = _normalised(password)
    if len(normal) < LEAST_PASSWORD_SIGNS:
        raise InputError(
            f"The password has {len(normal)} signs. Choose one of {LEAST_PASSWORD_SIGNS} at least, four words for "
            "instance."
        )
    if len(normal) > _MOST_PASSWORD_SIGNS:
        raise InputError(f"The password has {len(normal)} signs. Choose one of {_MOST_PASSWORD_SIGNS} at most.")
    if len(set(normal.casefold())) < _LEAST_DIFFERENT_SIGNS or normal.casefold() == name.casefold():
        raise InputError("This password is soon guessed. Choose another one, four words for instance.")
    return normal


def _in_words(wait_s: float) -> str:
    seconds = math.ceil(wait_s)  # rounded down, the next try would come too early
    if seconds == 1:
        return "a second"
    return f"{seconds} seconds" if seconds < 90 else f"{math.ceil(seconds / 60)} minutes"
