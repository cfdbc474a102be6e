"""What holds for all tests."""

# First: it counts lines of what is imported after it.
from tests.line_counting import pytest_sessionfinish, pytest_terminal_summary, pytest_testnodedown  # noqa: F401

# isort: split
import gc
import os
import shutil
import tempfile
from pathlib import Path

import pytest
from hypothesis import settings
from sqlalchemy import Engine, event
from sqlalchemy.engine.default import DefaultDialect
from sqlalchemy.util import LRUCache

from inspector.log import LogPlace, open_log
from tests.doubles.drawing import drawn_photo
from tests.doubles.postgresql import ReusedDatabase, running_server

# Tests ask what comes out; how long it took depends on what else the machine does. Speed is for `make bench`.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")

# Every commit waits for its disk, and tests commit often; servers and browsers that they start write without end. None
# pulls the plug, so that memory serves as well; where a disk is to be full or read-only, `tests/durability` mounts one.
_IN_MEMORY = Path("/dev/shm")
_ROOM_BYTES = 2_000_000_000  # a run of all tests by two workers takes up to 1 GB, most of it PostgreSQL's
if _IN_MEMORY.is_dir() and os.access(_IN_MEMORY, os.W_OK) and shutil.disk_usage(_IN_MEMORY).free > _ROOM_BYTES:
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(_IN_MEMORY))
    os.environ.setdefault("TMPDIR", str(_IN_MEMORY))

# Half a million objects live as long as the tests: modules, tables, tests. Looking through them for garbage
# again and again took a quarter of the time.
gc.set_threshold(20_000, 10, 5)


# What is quick throughout comes last: whichever worker is done first then has little to wait for. Another that had
# begun a long file kept it waiting for a tenth of the time.
_QUICK = {"aligning", "comparing", "curing", "imaging", "risk", "sample_images", "tests"}


def pytest_collection_modifyitems(items):
    items.sort(key=lambda item: item.path.parent.name in _QUICK)


def pytest_collection_finish(session):
    """Never look again at what was there before the first test."""
    gc.collect()
    gc.freeze()


# A program opens one log and turns each statement into SQL once; the tests open thousands, and turning them anew took
# a quarter of the time of those. What is cached is told apart by the statement and by who is spoken to: here one whom
# the tests speak to is like any other of the kind, since all files are SQLite's and all servers are of one version.
_TURNED_INTO_SQL = LRUCache(2000)
DefaultDialect.__eq__ = lambda one, other: type(one) is type(other)
DefaultDialect.__hash__ = lambda one: hash(type(one))


@event.listens_for(Engine, "engine_connect")
def _remember_sql(connection):
    connection.execution_options(compiled_cache=_TURNED_INTO_SQL)


@pytest.fixture(scope="session")
def postgresql_server():
    """A PostgreSQL server of this process's own, started when the first test asks for it."""
    with running_server() as server:
        yield server


@pytest.fixture(scope="session")
def reused_database(postgresql_server):
    """A database with the tables of a log, which each test that asks for it empties."""

    def make_tables(url):
        with tempfile.TemporaryDirectory() as folder:
            open_log(LogPlace(Path(folder), url)).close()

    reused = ReusedDatabase(postgresql_server, make_tables)
    with reused.staying_connected():
        yield reused
    reused.close()


@pytest.fixture(scope="session")
def empty_database(tmp_path_factory):
    """The database of an empty log; copied for each test, since making one takes longer than most tests."""
    folder = tmp_path_factory.mktemp("empty")
    open_log(folder).close()
    return folder / "log.sqlite3"


@pytest.fixture
def place(request, tmp_path):
    """Where an empty log lies; `run_over` says over which kinds of place."""
    folder = tmp_path / "data"
    folder.mkdir()
    if request.param == "postgresql":
        return LogPlace(folder, request.getfixturevalue("reused_database").empty())
    shutil.copy(request.getfixturevalue("empty_database"), folder)
    return LogPlace(folder)


@pytest.fixture
def draw():
    """Draws the photo of a piece, as the drawn engine knows it."""
    return drawn_photo


@pytest.fixture(scope="session")
def _object_store():
    from tests.doubles.object_store import running_store  # takes a second, which most tests need not

    with running_store() as store:
        yield store


@pytest.fixture
def object_store(_object_store):
    """An object store of this process's own, started when the first test asks for it; nothing is wrong with it yet."""
    yield _object_store
    _object_store.refuses, _object_store.changes = False, None
    _object_store.asked.clear()
