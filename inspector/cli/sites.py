"""`inspector site`: halls or workshops that share a log."""

import json
from typing import Annotated

import typer

from inspector.cli.options import DatabaseOption, DataOption, JsonFlag
from inspector.cli.surroundings import open_whole_workshop

__all__ = ["site_app"]

site_app = typer.Typer(
    no_args_is_help=True,
    help="Halls or workshops that share a log, each with its own molds, mixes, pieces and people. A log begins with "
    "one, and nothing else names it. Where there are several, every other command is told which one it is about: "
    "--site NAME, else the variable INSPECTOR_SITE.",
)

NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="Name of the site.")]


@site_app.command("add")
def add_site(
    context: typer.Context, name: NameArgument, data: DataOption = None, database: DatabaseOption = None
) -> None:
    """Add a site; all that there is stays with the site that it belongs to.

    Example: inspector site add "hall 2"
    """
    with open_whole_workshop(context, data, database) as whole:
        site = whole.sites.add(name)
        others = [other.name for other in whole.sites.list() if other.id != site.id]
    typer.echo(f"Added site {site.name}, beside {', '.join(others)}. Tell every command which one: --site NAME.")


@site_app.command("list")
def list_sites(
    context: typer.Context, as_json: JsonFlag = False, data: DataOption = None, database: DatabaseOption = None
) -> None:
    """List the sites.

    Example: inspector site list
    """
    with open_whole_workshop(context, data, database) as whole:
        seen = whole.sites.seen_from()
        sites = [(site.name, [other.name for other in seen[site.id]]) for site in whole.sites.list()]
    if as_json:
        listed = [{"name": name, "people_see": others} for name, others in sites]
        typer.echo(json.dumps(listed, indent=2, ensure_ascii=False))
        return
    for name, others in sites:
        typer.echo(name + (f", whose people may look at {', '.join(others)}" if others else ""))


@site_app.command("rename")
def rename_site(
    context: typer.Context,
    name: NameArgument,
    new_name: Annotated[str, typer.Argument(metavar="NEW", help="Its name from now on.")],
    data: DataOption = None,
    database: DatabaseOption = None,
) -> None:
    """Give a site another name, such as the one that a log begins with.

    Example: inspector site rename first "hall 1"
    """
    with open_whole_workshop(context, data, database) as whole:
        site = whole.sites.rename(name, new_name)
    typer.echo(f"Site {name} is called {site.name} now.")


@site_app.command("let-see")
def let_see(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The site whose people may look.")],
    sees: Annotated[str, typer.Argument(metavar="OTHER", help="The site that they may look at.")],
    no_more: Annotated[bool, typer.Option("--no-more", help="Let them look there no more.")] = False,
    data: DataOption = None,
    database: DatabaseOption = None,
) -> None:
    """Let the people of a site look at another one; they record nothing there.

    Example: inspector site let-see "hall 1" "hall 2"
    """
    with open_whole_workshop(context, data, database) as whole:
        if no_more:
            whole.sites.let_see_no_more(name, sees=sees)
        else:
            whole.sites.let_see(name, sees=sees)
    typer.echo(f"The people of {name} may {'look at' if not no_more else 'no more look at'} {sees}.")
