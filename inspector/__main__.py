"""`inspector`, or `python -m inspector`: the command line, imported when it is called.

A process that works beside others (`inspection/own_cores.py`) imports the program that started it before anything else;
of the commands it needs none.
"""

__all__ = ["main"]


def main() -> None:
    """Run the command line."""
    from inspector.cli import app

    app()


if __name__ == "__main__":
    main()
