"""Which lines and branches of the program the tests run: SlipCover counts where `COUNT_LINES` is set (`make test`).

It puts a call before each line of the program as it is imported. What traces instead, as coverage.py has to up to
Python 3.11, slows down every line of SQLAlchemy, Jinja and all other packages as well: tests of pages took half as long
again, where they now take a fiftieth. `tests/conftest.py` loads this before it loads the program, and has its hooks.
"""

import io
import json
import os

import pytest
from slipcover import FileMatcher, ImportManager, Slipcover, merge_coverage, print_coverage

_FOLDER = "inspector"
# Alembic loads these past Python's importing, and anew each time.
_LEFT_OUT = "inspector/log/migrations/*"
_TYPE_CHECKERS_SEE_TO_IT = r"assert_never\("  # and `if TYPE_CHECKING:`, which SlipCover leaves out by itself
_NEVER = 2**31 - 1  # to take out the calls that came this often would take longer than they do

_counting: Slipcover | None = None
if os.environ.get("COUNT_LINES"):
    _counting = Slipcover(
        branch=True,
        source=[_FOLDER],
        omit=[_LEFT_OUT],
        exclude_also=[_TYPE_CHECKERS_SEE_TO_IT],
        d_miss_threshold=_NEVER,
    )
    ImportManager(_counting, FileMatcher(sources=[_FOLDER], omit=[_LEFT_OUT])).__enter__()

_counted = pytest.StashKey[list[dict]]()


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Send what was counted to the process that reports, where this is a worker of its."""
    if _counting is not None and hasattr(session.config, "workeroutput"):
        session.config.workeroutput["lines"] = json.dumps(_counting.get_coverage())


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node) -> None:
    """Take what a worker counted; one that broke off tells nothing."""
    if lines := getattr(node, "workeroutput", {}).get("lines"):
        node.config.stash.setdefault(_counted, []).append(json.loads(lines))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say what of which file no test ran, and how many lines and branches in a hundred were run."""
    if _counting is None:
        return
    together, *others = config.stash.get(_counted, None) or [_counting.get_coverage()]
    for lines in others:
        merge_coverage(together, lines)
    table = io.StringIO()
    print_coverage(together, outfile=table, skip_covered=True)
    terminalreporter.section("what no test ran")
    terminalreporter.write(table.getvalue())
    for kind in ("lines", "branches"):
        run, missing = (together["summary"][f"{state}_{kind}"] for state in ("covered", "missing"))
        terminalreporter.write_line(f"{run / (run + missing):.1%} of {run + missing} {kind} were run.")
