"""A PostgreSQL server of the tests' own: made from the system's programs, on a socket in a folder, for one run.

Nothing of it is kept, so that it need not bring anything to disk; and as it refuses to run as root, it then runs as
another user.
"""

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import psycopg
import pytest
from sqlalchemy.engine import make_url

from inspector.log.postgresql_server import PostgresqlDatabase

__all__ = ["ReusedDatabase", "Server", "running_server"]

_PLACES = "/usr/lib/postgresql/*/bin"
_SETTINGS = {
    "listen_addresses": "",
    "fsync": "off",
    "full_page_writes": "off",
    "synchronous_commit": "off",
    "autovacuum": "off",
    "max_connections": "60",
    "shared_buffers": "32MB",
    "wal_level": "minimal",
    "max_wal_senders": "0",
    "max_wal_size": "256MB",
    "checkpoint_timeout": "1h",
    "jit": "off",
}
_STARTS_WITHIN_S = 60
_LONGEST_FOLDER = 70
_NAMED = "ins-"
_TABLES = (
    "SELECT table_name FROM information_schema.tables WHERE table_schema = 'public' AND table_name <> 'alembic_version'"
)
_NUMBERED_TABLES = (
    "SELECT table_name FROM information_schema.columns WHERE table_schema = 'public' AND column_name = 'id'"
)


class Server:
    """A running server, and the databases that tests make in it."""

    def __init__(self, folder: Path, process: int) -> None:
        self._folder = folder
        self._process = process
        self._made = 0
        self._admin = psycopg.connect(self._dsn("postgres"), autocommit=True)

    def new_database(self) -> str:
        """Make an empty database; give its URL."""
        self._made += 1
        name = f"log_{self._made}"
        # By the log: a copy of files would wait for all that is in memory to be written first.
        self._admin.execute(f"CREATE DATABASE {name} TEMPLATE template0 STRATEGY wal_log")
        return f"postgresql+psycopg://inspector@/{name}?host={self._folder}"

    def run(self, url: str, statements: str) -> list[tuple]:
        """Do something in a database as another program would; give what the last statement answers."""
        with psycopg.connect(self._dsn(_name_in(url)), autocommit=True) as connection:
            cursor = connection.execute(statements)
            while cursor.nextset():
                pass
            return cursor.fetchall() if cursor.description else []

    def processor_s(self) -> float:
        """The processor's time of those that serve connections which are open. For Linux. [s]"""
        listed = Path(f"/proc/{self._process}/task/{self._process}/children").read_text(encoding="ascii")
        ticks = 0
        for child in listed.split():
            with suppress(FileNotFoundError):  # it has ended since
                fields = Path(f"/proc/{child}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
                ticks += int(fields[11]) + int(fields[12])
        return ticks / os.sysconf("SC_CLK_TCK")

    def close(self) -> None:
        self._admin.close()

    def _dsn(self, name: str) -> str:
        return f"host={self._folder} user=inspector dbname={name}"


class ReusedDatabase:
    """A database with the tables of an empty log, for one test after the other.

    Emptying it takes 1 ms; a copy of a template, or TRUNCATE, takes 200 ms, for there are a hundred files in one.
    """

    def __init__(self, server: Server, make_tables: Callable[[str], None]) -> None:
        self.url = server.new_database()
        make_tables(self.url)
        self._connection = psycopg.connect(server._dsn(_name_in(self.url)), autocommit=True)
        tables = [name for (name,) in self._connection.execute(_TABLES)]
        numbered = [name for (name,) in self._connection.execute(_NUMBERED_TABLES)]
        # As a replica does: no trigger, no reference stands in the way.
        self._connection.execute("SET session_replication_role = replica")
        # The first site comes with the tables.
        first = {"site"}
        self._emptying = "; ".join(
            [f"DELETE FROM {name} WHERE id > 1" if name in first else f"DELETE FROM {name}" for name in tables]
            + [
                f"SELECT setval(pg_get_serial_sequence('{name}', 'id'), 1, {'true' if name in first else 'false'})"
                for name in numbered
            ]
        )

    def empty(self) -> str:
        """Remove all rows; give the URL."""
        self._connection.execute(self._emptying)
        return self.url

    @contextmanager
    def staying_connected(self) -> Iterator[None]:
        """Have all logs over it use the same connections, which no log lets go of.

        To connect, and to learn what the database holds, took a seventh of the time of server and tests.
        """
        url, connect = make_url(self.url), PostgresqlDatabase.connect
        engine = PostgresqlDatabase(self.url).connect()
        let_go = engine.dispose
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(engine, "dispose", lambda: None)
            patched.setattr(
                PostgresqlDatabase, "connect", lambda asked: engine if asked._url == url else connect(asked)
            )
            yield
        let_go()

    def close(self) -> None:
        self._connection.close()


def _name_in(url: str) -> str:
    return url.partition("@/")[2].partition("?")[0]


def programs() -> Path | None:
    """The folder of the newest server's programs; None where none is installed."""
    found = sorted(Path("/").glob(_PLACES.lstrip("/")), key=lambda path: float(path.parent.name))
    on_path = shutil.which("initdb")
    return found[-1] if found else Path(on_path).parent if on_path else None


@contextmanager
def running_server() -> Iterator[Server]:
    """Start a server, and end it when the block is left."""
    bin_folder = programs()
    if bin_folder is None:
        raise RuntimeError(
            "The tests start a PostgreSQL server of their own, and there is none to start. "
            "Install it (on Debian, as root: apt-get install postgresql), or leave its tests out with: "
            "pytest -m 'not postgresql'."
        )
    # A path to a socket may have 107 characters, so this is no folder of pytest's, nor one of a user's own on macOS.
    given = tempfile.gettempdir()
    _remove_left_over(Path(given))
    with tempfile.TemporaryDirectory(prefix=_NAMED, dir=given if len(given) < _LONGEST_FOLDER else "/tmp") as name:
        folder = Path(name)
        as_user = _somebody_else(folder) if os.geteuid() == 0 else []
        options = [part for key, value in _SETTINGS.items() for part in ("-c", f"{key}={value}")]
        subprocess.run(
            [*as_user, bin_folder / "initdb", "--pgdata", folder / "data", "--username", "inspector", "--no-sync",
             "--auth", "trust", "--encoding", "UTF8", "--locale", "C", "--no-instructions"],
            check=True, stdout=subprocess.DEVNULL, cwd=folder,
        )  # fmt: skip
        # It ends with this program, whatever ends that.
        command = [
            *as_user,
            "setpriv",
            "--pdeathsig",
            "INT",
            bin_folder / "postgres",
            "-D",
            folder / "data",
            "-k",
            folder,
        ]
        with (
            (folder / "server.txt").open("wb") as told,
            subprocess.Popen([*command, *options], stdout=told, stderr=told, cwd=folder) as process,
        ):
            try:
                _wait_for(folder, process)
                server = Server(folder, process.pid)
                yield server
                server.close()
            finally:
                process.send_signal(signal.SIGQUIT)  # end at once, whoever is connected, and bring nothing to disk
                process.wait()


def _remove_left_over(within: Path) -> None:
    """Remove what killed runs left, since it may lie in memory; a server that runs has a `postmaster.pid`."""
    a_day_ago = time.time() - 24 * 3600
    for folder in within.glob(f"{_NAMED}*"):
        with suppress(FileNotFoundError):  # by another process, meanwhile
            if folder.stat().st_mtime < a_day_ago and not (folder / "data" / "postmaster.pid").exists():
                shutil.rmtree(folder)


def _somebody_else(folder: Path) -> list[str]:
    """Give the folder to a user who is not root, and what has a command run as that user."""
    import pwd  # not on Windows

    names = {each.pw_name: each for each in pwd.getpwall()}
    user = names.get("postgres") or names["nobody"]
    os.chown(folder, user.pw_uid, user.pw_gid)
    folder.chmod(0o755)
    return ["setpriv", f"--reuid={user.pw_uid}", f"--regid={user.pw_gid}", "--clear-groups"]


def _wait_for(folder: Path, process: "subprocess.Popen[bytes]") -> None:
    give_up_at = time.monotonic() + _STARTS_WITHIN_S
    while True:
        try:
            psycopg.connect(f"host={folder} user=inspector dbname=postgres").close()
        except psycopg.OperationalError:
            if process.poll() is not None or time.monotonic() > give_up_at:
                raise RuntimeError(f"The server did not start: {(folder / 'server.txt').read_text()}") from None
            time.sleep(0.02)
        else:
            return
