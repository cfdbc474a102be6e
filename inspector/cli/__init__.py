"""The command line: parse, call the workshop, show."""

from inspector.cli.app import app

__all__ = ["app"]
