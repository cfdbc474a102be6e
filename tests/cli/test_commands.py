import re
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from inspector.cli import app

README = Path(__file__).parents[2] / "README.md"


def commands(group, *names):
    """Names of all commands, those in groups with the name of the group."""
    for name, command in group.commands.items():
        if hasattr(command, "commands"):
            yield from commands(command, *names, name)
        else:
            yield (*names, name)


COMMANDS = sorted(commands(typer.main.get_command(app)))


def test_the_commands_are_those_that_were_promised():
    assert {" ".join(command) for command in COMMANDS} >= {
        "inspect", "record", "log", "mold add", "mold list", "mold show", "mix add", "mix list", "pour add",
        "pour list", "mat", "serve", "demo", "strength", "breaktest add", "breaktest list", "temperature add",
        "temperature import", "temperature list", "import", "due", "mold set",
    }  # fmt: skip


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_every_command_has_help_with_an_example(command):
    result = CliRunner().invoke(app, [*command, "--help"], env={"COLUMNS": "200"})
    assert result.exit_code == 0
    assert f"Example: inspector {' '.join(command)}" in result.stdout


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_every_command_is_in_the_readme(command):
    assert f"inspector {' '.join(command)}" in README.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "setting", ["--data", "INSPECTOR_DATA", "--database", "INSPECTOR_DATABASE", "--host", "--port"]
)
def test_every_setting_is_in_the_readme(setting):
    assert re.search(rf"`[^`]*{setting}[^`]*`", README.read_text(encoding="utf-8"))


def test_help_tells_that_it_is_not_for_formwork():
    result = CliRunner().invoke(app, ["--help"], env={"COLUMNS": "200"})
    assert "never says when structural formwork may come off" in result.stdout
