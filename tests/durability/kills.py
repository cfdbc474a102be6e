"""Kill the program at random moments, and see that nothing it had acknowledged is lost and nothing is half done.

A child process works on a log and tells over a pipe what it has acknowledged. It is killed (SIGKILL) at a moment drawn
at random from twice the time that three acknowledgements take. Then the log is looked at: by `check_log`, and by SQL of
our own. The suite does it a few times; at length:

    python -m tests.durability.kills --kills 200
"""

import argparse
import itertools
import multiprocessing
import random
import shutil
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from pathlib import Path

from inspector import log
from inspector.log import back_up, check_log, open_log, restore
from inspector.log.schema import bring_to_schema, known_schemas
from inspector.log.sqlite_file import SqliteFile
from inspector.workshop import Workshop
from tests.doubles.drawing import drawn_photo
from tests.doubles.drawn_engine import DRAWN_ENGINE

KINDS = ("recording", "reviewing", "backing up", "migrating")
KILLS_A_FOLDER = 10
# What a child tells: what was acknowledged, and how to find it again.
Told = tuple[str, ...]

# Imported once and then forked: a child works at once instead of importing for a second.
PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(["inspector.workshop", "tests.doubles.drawing", "tests.doubles.drawn_engine"])


# What the child does, until it is killed


def record(folder: Path, run: int) -> Iterator[Told]:
    with Workshop.open(folder / "data", engine=DRAWN_ENGINE) as shop:
        for number in itertools.count():
            data = drawn_photo((255, 0, 0)) + f"{run}.{number}".encode()  # a phone may append anything to a JPEG
            recorded = shop.record(data, name=f"{run}-{number}.jpg", mold="heron", pour_id=1)
            yield "photo", log.sha256_of(data).hex(), str(recorded.detail.piece.id)
            kept = shop.queue.keep(data + b"k", name=f"{run}-{number}-k.jpg", mold="heron", pour_id=1)
            yield "photo", log.sha256_of(data + b"k").hex(), str(kept.piece_id)
            shop.queue.inspect_next(worker=str(run))  # of what an earlier run left claimed, nothing


def review(folder: Path, run: int) -> Iterator[Told]:
    with Workshop.open(folder / "data", engine=DRAWN_ENGINE) as shop:
        for number in itertools.count():
            said = shop.reviewing.say(1, verdict=("confirmed", "dismissed")[number % 2], reviewer=f"{run}.{number}")
            yield "review", said.reviewer, said.verdict or ""
            shop.reviewing.decide(1, "second", decided_by="Ada", note=f"{run}.{number}")
            yield "disposition", f"{run}.{number}"
            shop.planning.set_mold("heron", target_loss=0.01, piece_cost=run + number / 1000)
            yield "setting", str(run + number / 1000)


def make_backups(folder: Path, run: int) -> Iterator[Told]:
    for number in itertools.count():
        file = folder / f"{run}-{number}.zip"
        back_up(folder / "data", file)
        yield "backup", str(file)


def migrate(folder: Path, run: int) -> Iterator[Told]:
    for number in itertools.count():
        data_dir = folder / f"old-{run}-{number}"
        data_dir.mkdir()
        shutil.copy(folder / "first.sqlite3", data_dir / "log.sqlite3.copying")
        (data_dir / "log.sqlite3.copying").rename(data_dir / "log.sqlite3")
        open_log(data_dir).close()
        yield "migrated", str(data_dir)


WORK: dict[str, Callable[[Path, int], Iterator[Told]]] = dict(
    zip(KINDS, (record, review, make_backups, migrate), strict=True)
)


def work(kind: str, folder: Path, run: int, pipe: Connection) -> None:
    pipe.send(("begun",))
    for told in WORK[kind](folder, run):
        pipe.send(told)


# What it works on


def furnish(folder: Path) -> None:
    """Make a log with a mold, a pour and a reviewed piece, and a database of the first program."""
    with Workshop.open(folder / "data", engine=DRAWN_ENGINE) as shop:
        shop.add_mold("heron", title="Heron", views=["side"])
        shop.confirm_reference(shop.add_reference(drawn_photo(shade=200), name="r1.jpg", mold="heron").reference.id)
        shop.add_mix("grey", cement_class="N", water_cement_ratio=0.45)
        shop.add_pour(mix="grey", molds=["heron"], poured_at=datetime(2026, 5, 4, 16, 0, tzinfo=UTC))
        shop.record(drawn_photo((255, 0, 0), shade=205), name="first.jpg", mold="heron", pour_id=1)
    make_first_database(folder / "first.sqlite3")


def make_first_database(path: Path) -> None:
    engine = SqliteFile(path).connect()
    with engine.begin() as connection:
        bring_to_schema(connection, "0001")
        connection.exec_driver_sql(
            "INSERT INTO mold (name, title, material, release_agent, created_at) "
            "VALUES ('heron', 'Heron', '', '', '2026-05-05 16:00:00')"
        )
        for number in range(300):
            connection.exec_driver_sql(
                f"INSERT INTO piece (mold_id, created_at) VALUES (1, '2026-05-05 16:00:00.{number:06}')"
            )
            connection.exec_driver_sql(
                "INSERT INTO disposition (piece_id, outcome, decided_by, note, created_at) "
                f"VALUES ({number + 1}, 'sell', 'Ada', '{number}', '2026-05-05 16:40:00')"
            )
    engine.dispose()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


# Killing


@dataclass
class Seen:
    """What was seen of one kill."""

    told: list[Told] = field(default_factory=list)
    lasted_s: float = 0.0


def run_and_kill(kind: str, folder: Path, run: int, *, after_s: float | None) -> Seen:
    """Let a child work for a while, or until it told three things, and kill it."""
    receiving, sending = PROCESSES.Pipe(duplex=False)
    child = PROCESSES.Process(target=work, args=(kind, folder, run, sending))
    child.start()
    sending.close()
    seen = Seen()
    assert receiving.poll(120), "the child did not begin"
    assert receiving.recv() == ("begun",)
    began = time.monotonic()
    if after_s is None:
        seen.told += [receiving.recv() for _ in range(3)]
    else:
        time.sleep(after_s)  # the random moment itself
    seen.lasted_s = time.monotonic() - began
    child.kill()
    child.join()
    assert child.exitcode == -9, f"the child ended by itself ({child.exitcode})"
    child.close()
    with suppress(EOFError):
        while True:
            seen.told.append(receiving.recv())
    receiving.close()
    return seen


# Looking


def rows(database: Path, query: str, *values: object) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(database)) as connection:
        return connection.execute(query, values).fetchall()


def look(folder: Path, seen: Seen) -> Iterator[str]:
    """Tell everything that is not as it should be after a kill."""
    data_dir = folder / "data"
    database = data_dir / "log.sqlite3"
    yield from (trouble.what for trouble in check_log(data_dir).troubles)
    for told in seen.told:
        if not FIND[told[0]](database, *told[1:]):
            yield f"acknowledged and lost: {told}"
    for what, query in HALF.items():
        yield from (f"{what}: {row}" for row in rows(database, query))


def find_photo(database: Path, sha256: str, piece_id: str) -> bool:
    there = rows(database, "SELECT piece_id FROM photo WHERE hex(sha256) = ?", sha256.upper())
    return there == [(int(piece_id),)] and len(list((database.parent / "photos").glob(f"??/{sha256}.jpg"))) == 1


def find_backup(database: Path, file: str) -> bool:
    return Path(file).is_file()


def find_migrated(database: Path, data_dir: str) -> bool:
    version = rows(Path(data_dir) / "log.sqlite3", "SELECT version_num FROM alembic_version")
    return version == [(known_schemas()[0],)]


FIND: dict[str, Callable[..., bool]] = {
    "photo": find_photo,
    "review": lambda database, who, verdict: (
        rows(database, "SELECT verdict FROM review WHERE reviewer = ?", who) == [(verdict,)]
    ),
    "disposition": lambda database, note: len(rows(database, "SELECT 1 FROM disposition WHERE note = ?", note)) == 1,
    "setting": lambda database, cost: (
        len(rows(database, "SELECT 1 FROM mold_setting WHERE piece_cost = ?", float(cost))) == 1
    ),
    "backup": find_backup,
    "migrated": find_migrated,
}
HALF = {
    "a photo without inspection that does not wait for it": (
        "SELECT id FROM photo WHERE piece_id IS NOT NULL AND id NOT IN (SELECT photo_id FROM inspection) "
        "AND id NOT IN (SELECT photo_id FROM awaiting_photo)"
    ),
    "a photo that is inspected and still waits": (
        "SELECT photo_id FROM awaiting_photo WHERE photo_id IN (SELECT photo_id FROM inspection)"
    ),
    "a piece without photo": (
        "SELECT id FROM piece WHERE id NOT IN (SELECT piece_id FROM photo WHERE piece_id IS NOT NULL)"
    ),
    "an inspection without its chip": "SELECT id FROM inspection WHERE id NOT IN (SELECT inspection_id FROM finding)",
}


def look_at_backups(folder: Path) -> Iterator[str]:
    """Whatever stands there as a backup must be whole, acknowledged or not; the rest is hidden and unfinished."""
    for file in folder.glob("*.zip"):
        restore(file, folder / "restored")
        yield from (f"{file.name}: {trouble.what}" for trouble in check_log(folder / "restored").troubles)
        shutil.rmtree(folder / "restored")
        file.unlink()


def look_at_migrated(folder: Path) -> Iterator[str]:
    """A log that was being migrated is of the old schema or of the new one, with all it held, and can be opened."""
    for data_dir in folder.glob("old-*"):
        database = data_dir / "log.sqlite3"
        if database.exists():
            for each in (database, *(data_dir / "backups").glob("*.sqlite3")):
                if rows(each, "PRAGMA integrity_check") != [("ok",)]:
                    yield f"{each} is damaged"
                if rows(each, "SELECT count(*) FROM disposition JOIN piece ON piece.id = piece_id") != [(300,)]:
                    yield f"{each} lost rows"
            ((version,),) = rows(database, "SELECT version_num FROM alembic_version")
            if version not in ("0001", known_schemas()[0]):
                yield f"{database} stopped halfway, at {version}"
            open_log(data_dir).close()
            yield from (f"{data_dir.name}: {trouble.what}" for trouble in check_log(data_dir).troubles)
        shutil.rmtree(data_dir)


def kill_often(kinds: tuple[str, ...], kills: int, *, seed: int, scratch: Path) -> tuple[list[str], Counter[str]]:
    """Kill the program so many times while it does each of these things, in turn.

    Returns
    -------
    wrong : list of str
        What was lost, half done or damaged.
    counts : Counter
        How much was acknowledged, and how many kills came before the first acknowledgement.
    """
    rng = random.Random(seed)
    wrong: list[str] = []
    counts: Counter[str] = Counter()
    run = 0
    span_s: dict[str, float] = {}
    folder = scratch
    for number in range(kills):
        if number % KILLS_A_FOLDER == 0:
            folder = scratch / str(number)
            folder.mkdir()
            furnish(folder)
        kind = kinds[number % len(kinds)]
        if kind not in span_s:
            run += 1
            span_s[kind] = run_and_kill(kind, folder, run, after_s=None).lasted_s
        run += 1
        seen = run_and_kill(kind, folder, run, after_s=rng.uniform(0, 2 * span_s[kind]))
        counts["kills"] += 1
        counts["kills before anything was acknowledged"] += not seen.told
        counts.update(f"{told[0]} acknowledged" for told in seen.told)
        found = [*look(folder, seen), *look_at_backups(folder), *look_at_migrated(folder)]
        wrong += [f"kill {number} while {kind}: {what}" for what in found]
    return wrong, counts


def main() -> None:
    parser = argparse.ArgumentParser(description="Kill the program at random moments, and see what is lost.")
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        wrong, counts = kill_often(KINDS, asked.kills, seed=asked.seed, scratch=Path(scratch))
    for what, count in sorted(counts.items()):
        print(f"{count:6} {what}")
    print(f"{len(wrong):6} lost, half done or damaged", *wrong, sep="\n")
    sys.exit(bool(wrong))


if __name__ == "__main__":
    main()
