"""`inspector account` and `inspector token`: who may reach the pages over the network."""

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from inspector.cli.options import DatabaseOption, DataOption, JsonFlag, SiteOption
from inspector.cli.surroundings import open_whole_workshop, open_workshop
from inspector.errors import InputError
from inspector.workshop import Role, Workshop

__all__ = ["account_app", "token_app"]

account_app = typer.Typer(no_args_is_help=True, help="Accounts of people who reach the pages over the network.")
token_app = typer.Typer(no_args_is_help=True, help="Tokens of scripts that reach the pages over the network.")

NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="Name of the account.")]
TokenArgument = Annotated[str, typer.Argument(metavar="NAME", help="What the token is for.")]
RoleOption = Annotated[Role, typer.Option("--role", help="see: look; record: and record; manage: and manage accounts.")]


@account_app.command("add")
def add_account(
    context: typer.Context,
    name: NameArgument,
    role: RoleOption = "record",
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Add an account, and print the link by which its owner sets a password.

    Example: inspector account add Marta --role manage
    """
    with open_workshop(context, data, database, site) as shop:
        account, code = shop.access.add_account(name, role=role, now=_now())
    _tell_link(account.name, code)


@account_app.command("link")
def make_link(
    context: typer.Context,
    name: NameArgument,
    data: DataOption = None,
    database: DatabaseOption = None,
) -> None:
    """Print a link by which the owner of an account sets a new password.

    Example: inspector account link Marta
    """
    with open_whole_workshop(context, data, database) as shop:
        account = shop.access.account_named(name)
        code = shop.access.make_link(account.id, now=_now())
    _tell_link(account.name, code)


@account_app.command("role")
def set_role(
    context: typer.Context,
    name: NameArgument,
    role: Annotated[Role, typer.Argument(metavar="ROLE", help="see, record or manage.")],
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Change what somebody may do; they are signed out everywhere.

    Example: inspector account role Marta see
    """
    with open_workshop(context, data, database, site) as shop:
        account = shop.access.give_role(name, role, now=_now())
    typer.echo(f"{account.name} has the role {account.role} now.")


@account_app.command("remove")
def remove_account(
    context: typer.Context,
    name: NameArgument,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Let somebody sign in no more; what they recorded stays.

    Example: inspector account remove Marta
    """
    with open_workshop(context, data, database, site) as shop:
        account = shop.access.account_named(name)
        shop.access.remove_account(account.id, now=_now())
    typer.echo(f"{account.name} can sign in no more.")


@account_app.command("list")
def list_accounts(
    context: typer.Context,
    as_json: JsonFlag = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """List the accounts.

    Example: inspector account list
    """
    with open_workshop(context, data, database, site) as shop:
        accounts = shop.access.accounts()
    rows = [
        {"name": account.name, "role": account.role, "password set": account.password_set_at,
         "last here": account.last_seen_at}
        for account in accounts
    ]  # fmt: skip
    _show(rows, as_json=as_json, empty="No account yet.")


@token_app.command("add")
def add_token(
    context: typer.Context,
    name: TokenArgument,
    role: RoleOption = "see",
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Make a token, and print it this once.

    Example: inspector token add "door display" --role see
    """
    with open_workshop(context, data, database, site) as shop:
        _, code = shop.access.add_token(name, role=role, now=_now())
    typer.echo("It is kept nowhere and not shown again. Send it with each request as: Authorization: Bearer TOKEN")
    typer.echo(code)


@token_app.command("revoke")
def revoke_token(
    context: typer.Context,
    name: TokenArgument,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Let a token be of no use any more.

    Example: inspector token revoke "door display"
    """
    with open_workshop(context, data, database, site) as shop:
        shop.access.revoke_token(_token_id(shop, name), now=_now())
    typer.echo(f"Token {name} is of no use any more.")


@token_app.command("list")
def list_tokens(
    context: typer.Context,
    as_json: JsonFlag = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """List the tokens that can be used.

    Example: inspector token list
    """
    with open_workshop(context, data, database, site) as shop:
        tokens = shop.access.tokens()
    rows = [
        {"name": token.name, "role": token.role, "made": token.created_at, "made by": token.made_by,
         "last used": token.last_used_at}
        for token in tokens
    ]  # fmt: skip
    _show(rows, as_json=as_json, empty="No script has a token.")


def _token_id(shop: Workshop, name: str) -> int:
    for token in shop.access.tokens():
        if token.name == name.strip():
            return token.id
    raise InputError(f"There is no token {name}. `inspector token list` shows all.")


def _tell_link(name: str, code: str) -> None:
    typer.echo(f"{name} sets the password with this, once and within two days, behind the address of the pages:")
    typer.echo(f"  /set-password?code={code}")


def _show(rows: Sequence[dict[str, str | datetime | None]], *, as_json: bool, empty: str) -> None:
    if as_json:
        typer.echo(json.dumps(rows, indent=2, ensure_ascii=False, default=datetime.isoformat))
        return
    if not rows:
        typer.echo(empty)
        return
    table = Table(*rows[0])
    for row in rows:
        table.add_row(*(_cell(value) for value in row.values()))
    Console().print(table)


def _cell(value: str | datetime | None) -> str:
    return f"{value.astimezone():%Y-%m-%d %H:%M}" if isinstance(value, datetime) else value or "-"


def _now() -> datetime:
    return datetime.now(UTC)
