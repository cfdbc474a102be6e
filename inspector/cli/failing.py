"""How commands fail: one sentence on stderr and an exit status, whatever went wrong that the user can put right."""

import sys
from typing import Any, TextIO

import typer
from typer.core import TyperGroup

from inspector.errors import InspectorError

__all__ = ["FAILED", "WRONG_USAGE", "ExplainingGroup", "WrongUsageError", "warn"]

FAILED = 1
WRONG_USAGE = 2


class WrongUsageError(InspectorError):
    """The command was asked for something that it cannot do."""


class ExplainingGroup(TyperGroup):
    """Commands whose errors are told in one sentence."""

    def main(self, *args: Any, **options: Any) -> Any:
        """Run a command; characters that the terminal cannot show become question marks."""
        for stream in (sys.stdout, sys.stderr):
            _never_fail_on_a_character(stream)
        return super().main(*args, **options)

    def invoke(self, ctx: Any) -> Any:
        """Run a command and turn what the user can put right into a sentence and an exit status."""
        try:
            return super().invoke(ctx)
        except InspectorError as error:
            warn(str(error))
            raise typer.Exit(WRONG_USAGE if isinstance(error, WrongUsageError) else FAILED) from error


def warn(message: str) -> None:
    """Tell something on stderr."""
    typer.echo(message, err=True)


def _never_fail_on_a_character(stream: TextIO) -> None:
    """Old consoles of Windows know a few hundred characters; a path may have others."""
    if (reconfigure := getattr(stream, "reconfigure", None)) is not None:
        reconfigure(errors="replace")
