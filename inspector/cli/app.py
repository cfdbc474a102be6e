"""The command `inspector` with its subcommands."""

import typer

from inspector.cli.accounts import account_app, token_app
from inspector.cli.backing_up import backup, restore_backup
from inspector.cli.break_tests import breaktest_app
from inspector.cli.checking import check
from inspector.cli.demo import demo
from inspector.cli.due import due
from inspector.cli.exporting import export
from inspector.cli.failing import ExplainingGroup
from inspector.cli.features import features
from inspector.cli.history import history
from inspector.cli.importing import import_pieces
from inspector.cli.inspecting import inspect
from inspector.cli.limits import limits
from inspector.cli.listing import list_log
from inspector.cli.mat import mat
from inspector.cli.molds import mold_app
from inspector.cli.moving import move
from inspector.cli.pours import mix_app, pour_app
from inspector.cli.recording import record
from inspector.cli.refitting import refit
from inspector.cli.reinspecting import reinspect
from inspector.cli.serving import serve
from inspector.cli.sites import site_app
from inspector.cli.strength import strength
from inspector.cli.temperatures import temperature_app, wetcure
from inspector.cli.trends import trends
from inspector.cli.watching import watch
from inspector.cli.what_if import what_if
from inspector.cli.windows import window

__all__ = ["app"]

app = typer.Typer(
    cls=ExplainingGroup,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Compare photos of demolded ornamental concrete with good pieces of the same mold, and log what broke.",
    epilog="For ornamental pieces only: it never says when structural formwork may come off.",
)
app.command("inspect")(inspect)
app.command("record")(record)
app.command("watch")(watch)
app.command("reinspect")(reinspect)
app.command("log")(list_log)
app.command("import")(import_pieces)
app.command("export")(export)
app.command("due")(due)
app.command("strength")(strength)
app.command("limits")(limits)
mold_app.command("features")(features)
app.add_typer(mold_app, name="mold")
app.add_typer(mix_app, name="mix")
app.add_typer(pour_app, name="pour")
app.add_typer(temperature_app, name="temperature")
app.command("wetcure")(wetcure)
app.add_typer(breaktest_app, name="breaktest")
app.command("window")(window)
app.command("trends")(trends)
app.command("refit")(refit)
app.command("what-if")(what_if)
app.command("mat")(mat)
app.command("serve")(serve)
app.command("demo")(demo)
app.add_typer(account_app, name="account")
app.add_typer(token_app, name="token")
app.add_typer(site_app, name="site")
app.command("backup")(backup)
app.command("restore")(restore_backup)
app.command("move")(move)
app.command("check")(check)
app.command("history")(history)
