"""`inspector site`: halls or workshops that share a log."""

import json
from typing import Annotated

import typer

from inspector.cli.failing import WrongUsageError
from inspector.cli.options import DatabaseOption, DataOption, JsonFlag, SiteOption
from inspector.cli.surroundings import open_whole_workshop, open_workshop
from inspector.workshop import Design

__all__ = ["site_app"]

site_app = typer.Typer(
    no_args_is_help=True,
    help="Halls or workshops that share a log, each with its own molds, mixes, pieces and people. A log begins with "
    "one, and nothing else names it. Where there are several, every other command is told which one it is about: "
    "--site NAME, else the variable INSPECTOR_SITE.",
)

DesignArgument = Annotated[str, typer.Argument(metavar="DESIGN", help="Name of the design.")]
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


@site_app.command("share-design")
def share_design(
    context: typer.Context,
    design: DesignArgument,
    sites: Annotated[list[str], typer.Argument(metavar="SITE...", help="Sites that are to share it.")],
    no_more: Annotated[bool, typer.Option("--no-more", help="Have them share it no more.")] = False,
    data: DataOption = None,
    database: DatabaseOption = None,
) -> None:
    """Have sites share a design: when to demold molds of it is learnt at each from the pieces of all.

    From site to site goes what the pieces of each mold tell together, in a few numbers, and how many there are; no
    piece, photo or name. A manager of each site says which of its molds are of the design, on the mold's page or by
    `site set-design`. What one site learnt reaches the others when it is served, or by `inspector refit`.

    Example: inspector site share-design "heron, large" "hall 1" "hall 2"
    """
    with open_whole_workshop(context, data, database) as whole:
        change = whole.sites.share_design_no_more if no_more else whole.sites.share_design
        changed = change(design, sites)
    typer.echo(_design_words(changed))


@site_app.command("designs")
def list_designs(
    context: typer.Context, as_json: JsonFlag = False, data: DataOption = None, database: DatabaseOption = None
) -> None:
    """List the designs that sites share.

    Example: inspector site designs
    """
    with open_whole_workshop(context, data, database) as whole:
        designs = whole.sites.designs()
    if as_json:
        listed = [{"name": design.name, "sites": list(design.sites)} for design in designs]
        typer.echo(json.dumps(listed, indent=2, ensure_ascii=False))
        return
    for design in designs:
        typer.echo(_design_words(design))


@site_app.command("set-design")
def set_design(
    context: typer.Context,
    mold: Annotated[str, typer.Argument(metavar="MOLD", help="A mold of the site.")],
    design: Annotated[str | None, typer.Argument(metavar="[DESIGN]", help="The design that it is of.")] = None,
    of_none: Annotated[bool, typer.Option("--none", help="It is of none that is shared.")] = False,
    data: DataOption = None,
    database: DatabaseOption = None,
    site: SiteOption = None,
) -> None:
    """Say which shared design a mold is of.

    Example: inspector site set-design heron "heron, large" --site "hall 1"
    """
    if (design is None) != of_none:
        raise WrongUsageError("Give either the DESIGN that the mold is of, or --none.")
    with open_workshop(context, data, database, site) as workshop:
        workshop.designs.set(mold, design)
    typer.echo(f"Mold {mold} is of {'no shared design' if design is None else f'the design {design.strip()}'}.")


def _design_words(design: Design) -> str:
    return f"{design.name}: {'shared by ' + ', '.join(design.sites) if design.sites else 'shared by no site'}"
