"""What the log tells about who may reach it over the network."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

__all__ = ["ROLES", "Account", "AccountSession", "PasswordLink", "Role", "ScriptToken"]

Role = Literal["see", "record", "manage"]
ROLES: tuple[Role, ...] = ("see", "record", "manage")
"""Each may do what those before it may."""


@dataclass(frozen=True, slots=True)
class Account:
    """Somebody who may sign in."""

    id: int
    name: str
    role: Role | None
    """At the site that was asked; None where none was asked, or it has none there."""
    created_at: datetime
    password_set_at: datetime | None
    """None until the link was used."""
    last_seen_at: datetime | None
    """When a browser that is signed in was last heard of, to within some minutes."""


@dataclass(frozen=True, slots=True)
class AccountSession:
    """A browser in which somebody is signed in."""

    id: int
    account: Account
    created_at: datetime
    last_seen_at: datetime


@dataclass(frozen=True, slots=True)
class PasswordLink:
    """A link that can still be used."""

    account: Account | None
    """None: it makes the first manager."""
    expires_at: datetime


@dataclass(frozen=True, slots=True)
class ScriptToken:
    """What a script names itself with; the token itself is shown once and kept nowhere."""

    id: int
    name: str
    site_id: int
    role: Role
    made_by: str | None
    """None: made at the machine itself."""
    created_at: datetime
    last_used_at: datetime | None
    revoked_at: datetime | None
