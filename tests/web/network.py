"""Pages served to a network: people sign in there."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
from argon2.profiles import CHEAPEST
from fastapi import FastAPI
from fastapi.testclient import TestClient

from inspector.settings import Settings
from inspector.web import create_app
from inspector.workshop import ROLES, Access, Account, Role, Workshop

HOST = "192.168.7.20:8417"
ADDRESS = f"http://{HOST}"
PASSWORD = "four words in a row"
NAMES: dict[Role, str] = {"see": "Sven", "record": "Rosa", "manage": "Marta"}


@dataclass
class Network:
    """A workshop served to a network, with an account and a token of each role."""

    app: FastAPI
    access: Access
    accounts: dict[Role, Account]
    tokens: dict[Role, str]

    def browser(self, *, scheme: str = "http", host: str = HOST, client: str = "192.168.7.31") -> TestClient:
        """A browser on another machine, in which nobody has signed in; it says where its requests come from."""
        address = f"{scheme}://{host}"
        return TestClient(
            self.app,
            base_url=address,
            headers={"Origin": address, "Accept": "text/html,*/*;q=0.8"},
            client=(client, 50000),
            raise_server_exceptions=False,
            follow_redirects=False,
        )

    def signed_in(self, role: Role) -> TestClient:
        """A browser in which somebody is signed in."""
        browser = self.browser()
        session = self.access.begin_session(self.accounts[role], now=datetime.now(UTC))
        give_cookie(browser, "inspector-session", session.session_code)
        return browser

    def script(self, role: Role) -> TestClient:
        """A program that sends a token, and nothing that browsers do."""
        script = self.browser()
        script.headers = {"Authorization": f"Bearer {self.tokens[role]}"}  # type: ignore[assignment]
        return script


def give_cookie(browser: TestClient, name: str, value: str) -> None:
    """Put a cookie into a browser as if these pages had."""
    browser.cookies.set(name, value, domain=HOST.partition(":")[0], path="/")


@dataclass(frozen=True)
class Prepared:
    """The data folder of a workshop with an account and a token of each role, to be copied."""

    folder: Path
    accounts: dict[Role, Account]
    tokens: dict[Role, str]


def prepare(folder: Path, furnished: Path, open_workshop: Callable[[Path], Workshop]) -> Prepared:
    """Add an account and a token of each role to a copy of a workshop."""
    shutil.copytree(furnished, folder)
    accounts, tokens = {}, {}
    now = datetime.now(UTC)
    with hashing_fast(), open_workshop(folder) as shop:
        for role in ROLES:
            _, code = shop.access.add_account(NAMES[role], role=role, now=now)
            accounts[role] = shop.access.use_link(code, name="", password=PASSWORD, now=now)
            tokens[role] = shop.access.add_token(f"{role} script", role=role, now=now)[1]
    return Prepared(folder, accounts, tokens)


@contextmanager
def served_to_network(
    data_dir: Path,
    prepared: Prepared,
    open_workshop: Callable[[Path], Workshop],
    *,
    allowed_hosts: tuple[str, ...] | None = None,
) -> Iterator[Network]:
    """Serve a copy of a workshop to the network, or at this machine under names that are allowed besides its own."""
    shutil.copytree(prepared.folder, data_dir)
    settings = Settings(data_dir=data_dir, host="0.0.0.0", max_photo_bytes=200_000, metrics=True)
    if allowed_hosts is not None:
        settings = Settings(data_dir=data_dir, allowed_hosts=allowed_hosts)
    app = create_app(settings, open_workshop=open_workshop)
    with hashing_fast(), TestClient(app):
        yield Network(app, app.state.workshop.access, prepared.accounts, prepared.tokens)


@contextmanager
def hashing_fast() -> Iterator[None]:
    """Have passwords hashed as no workshop should."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("inspector.workshop.access.RFC_9106_LOW_MEMORY", CHEAPEST)
        yield
