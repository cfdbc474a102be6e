"""How pages take a log of ten years: a million pieces, three million findings, 500 molds, against one of 5,000 pieces.

    python -m tests.load.growth --keep /tmp/grown            # over SQLite; the logs are built once, and used again
    python -m tests.load.growth --keep /tmp/grown --server   # over a PostgreSQL of its own, built anew each time
    python -m tests.load.growth --keep /tmp/grown --beside   # as a site of 200 pieces, added beside each of the two

Every address that answers GET is asked many times, each time for another mold, piece and pour, and before every fourth
time somebody decides on a piece: nothing that is kept until the log changes may hide what a page costs. Photos' own
files and what is made to be kept (PDF, zip) are left out, but for `--all`. For each page: how long half and 95 % of the
answers took, the longest, how much of the processor's time 95 % took of this program, and a request of a server, how
long beside the small log, rows read, bytes sent. Before that the nightly refit. What misses what is wanted is told, and
makes it fail: 95 % of a page's answers within 200 ms, of a mold's trends within 500 ms, the refit within 10 minutes.
"""

import argparse
import resource
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from fastapi.testclient import TestClient
from sqlalchemy import Connection, event, text
from sqlalchemy.engine.cursor import CursorFetchStrategy

from inspector.log import LogPlace, PlaceInList
from inspector.settings import Settings
from inspector.web import create_app
from inspector.web.app import pass_over_what_stays
from inspector.workshop import Workshop
from tests.doubles.drawn_engine import DRAWN_ENGINE
from tests.doubles.every_address import get_addresses, with_parts
from tests.doubles.large_log import fill_log
from tests.doubles.postgresql import running_server
from tests.load.grown_log import ENDS_AT, FILE_EVERY, YEARS, fill_grown_log

SMALL = (5000, 20)
LARGE = (1_000_000, 500)
WANTED_MS, WANTED_TRENDS_MS, WANTED_REFIT_S = 200, 500, 600
DECIDED_EVERY = 4
FILES_TO_KEEP = (".pdf", ".zip", ".svg", ".jpg")
# What a mold's losses are told by.
TRENDS = ("/molds/{mold}", "/molds/{mold}/pictures/{picture}.svg")
PICTURES = ("loss-by-age", "strength-gain", "losses-over-time", "where-pieces-break")
_SMALL_SITE = "hall 2"
# Beside the plain addresses: filters, pages that lie deep, and figures.
FURTHER = (
    "/metrics",
    "/?place={waiting}",
    "/?first=unsure",
    "/molds/{mold}/pieces?place={seen}",
    "/molds/{mold}/pieces?kind=chip&place={seen}",
    "/?mold={mold}",
    "/molds/{mold}/pieces?kind=chip",
    "/molds/{mold}/compare?other={other}",
    "/molds/{mold}/compare?since=2024-03-01",
    "/molds/{mold}/month?month=2024-03",
)


@dataclass(frozen=True)
class Answered:
    """What asking for one address came to."""

    took_ms: np.ndarray
    busy_ms: np.ndarray
    served_ms: float
    """Of the processor's time, the server's: the mean."""
    rows: float
    byte_count: float

    @property
    def p95_ms(self) -> float:
        return float(np.percentile(self.took_ms, 95))

    @property
    def busy_p95_ms(self) -> float:
        return float(np.percentile(self.busy_ms, 95))


class _CountingRows(CursorFetchStrategy):
    """Counts the rows that are fetched from a database."""

    def __init__(self, strategy: CursorFetchStrategy, seen: list[int]) -> None:
        self._strategy = strategy
        self._seen = seen

    def __getattr__(self, name: str) -> Any:
        return getattr(self._strategy, name)

    def fetchone(self, *given: Any, **named: Any) -> Any:
        row = self._strategy.fetchone(*given, **named)
        self._seen[0] += row is not None
        return row

    def fetchmany(self, *given: Any, **named: Any) -> Any:
        rows = self._strategy.fetchmany(*given, **named)
        self._seen[0] += len(rows)
        return rows

    def fetchall(self, *given: Any, **named: Any) -> Any:
        rows = self._strategy.fetchall(*given, **named)
        self._seen[0] += len(rows)
        return rows


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--keep", type=Path, required=True, help="folder for the logs")
    parser.add_argument("--server", action="store_true", help="over PostgreSQL")
    parser.add_argument("--pieces", type=int, default=LARGE[0])
    parser.add_argument("--molds", type=int, default=LARGE[1])
    parser.add_argument("--requests", type=int, default=20)
    parser.add_argument("--only", default="", help="only addresses that hold this; without the refit")
    parser.add_argument("--beside", action="store_true", help="ask as a site of 200 pieces beside each log")
    parser.add_argument("--all", action="store_true", help="pictures and files as well")
    given = parser.parse_args()
    with _places(given, [SMALL, (given.pieces, given.molds)]) as (places, served_s):
        (small, _), (large, missed) = (_measured(given, place, *size, served_s=served_s) for place, size in places)
    print(
        f"\n{given.requests} requests each [ms]: median, p95, longest; of the processor's time p95, the server's mean; "
        f"times p95 with {SMALL[0]} pieces; rows; kB"
    )
    for address, found in sorted(large.items(), key=lambda item: -item[1].p95_ms):
        ratio = found.p95_ms / small[address].p95_ms
        wanted_ms = WANTED_TRENDS_MS if address in TRENDS else WANTED_MS
        if is_missed := found.p95_ms > wanted_ms:
            missed.append(address)
        print(
            f"{np.median(found.took_ms):7.0f} {found.p95_ms:7.0f} {max(found.took_ms):7.0f} {found.busy_p95_ms:7.0f} "
            f"{found.served_ms:5.0f} {ratio:6.1f} {found.rows:7.0f} {found.byte_count / 1000:6.0f}  {address}"
            + (f"  over {wanted_ms} ms" if is_missed else "")
        )
    print("all within what is wanted" if not missed else f"not within what is wanted: {', '.join(missed)}")
    return bool(missed)


@contextmanager
def _places(
    given: argparse.Namespace, sizes: list[tuple[int, int]]
) -> Iterator[tuple[list[tuple[LogPlace, tuple[int, int]]], Callable[[], float]]]:
    """Give the logs, each with its size, and what tells the processor's time of their server."""
    if not given.server:
        yield [(_built(LogPlace(given.keep / f"{size[0]}-{size[1]}"), *size), size) for size in sizes], lambda: 0.0
        return
    with running_server() as server:
        places = []
        for size in sizes:
            place = LogPlace(given.keep / f"server-{size[0]}-{size[1]}", url := server.new_database())
            places.append((_built(place, *size, anew=True), size))
            server.run(url, "VACUUM ANALYZE")  # as its autovacuum would have
        yield places, server.processor_s


def _built(place: LogPlace, pieces: int, molds: int, *, anew: bool = False) -> LogPlace:
    whole = place.folder / "whole"
    if anew or not whole.exists():
        began_s = time.perf_counter()
        fill_grown_log(place, pieces=pieces, molds=molds)
        whole.touch()
        print(f"{pieces} pieces built in {time.perf_counter() - began_s:.0f} s", flush=True)
    return place


def _measured(
    given: argparse.Namespace, place: LogPlace, pieces: int, molds: int, *, served_s: Callable[[], float]
) -> tuple[dict[str, Answered], list[str]]:
    """Give what each address came to, and what missed what is wanted already."""
    rng = np.random.default_rng(7)
    missed: list[str] = []
    if given.beside:
        _add_small_site(place)
    with Workshop.open(place, engine=DRAWN_ENGINE) as shop:
        engine = shop._log._engine
        with engine.begin() as connection:
            counts = {
                name: connection.scalar(text(f"SELECT max(id) FROM {name}"))
                for name in ("piece", "finding", "mold", "pour", "photo", "change")
            }
        print(f"\n{place}: " + ", ".join(f"{count} {name}s" for name, count in counts.items()), flush=True)
        seen = [0]

        @event.listens_for(engine, "after_cursor_execute")
        def _count(_connection, _cursor, _statement, _parameters, context, _many):
            context.cursor_fetch_strategy = _CountingRows(context.cursor_fetch_strategy, seen)

        beside = shop.sites.named(_SMALL_SITE) if given.beside else None
        asking = shop if beside is None else shop.at(beside.id)
        if not given.only and beside is None:
            began_s, began_busy_s, began_served_s = time.perf_counter(), time.process_time(), served_s()
            shop.losses.refit(now=datetime.now().astimezone())
            took_s, busy_s = time.perf_counter() - began_s, time.process_time() - began_busy_s
            print(
                f"refit of all windows: {took_s:.1f} s, {busy_s:.1f} s of the processor's time, "
                f"{served_s() - began_served_s:.1f} s of the server's",
                flush=True,
            )
            _tell_memory()
            if took_s > WANTED_REFIT_S:
                missed.append("refit")
        app = create_app(Settings(data_dir=place.folder, metrics=True), open_workshop=lambda _: _kept_open(shop))
        answered = {}
        print("p95 [ms] by the clock, of the processor's time", flush=True)
        with TestClient(app, base_url="http://127.0.0.1:8417", cookies={"reviewer": "Ada"}) as client:
            if beside is not None:
                client.cookies["inspector-site"] = str(beside.id)
                with engine.connect() as connection:
                    of_site = _parts_of_site(connection, beside.id)
            pass_over_what_stays()  # as serving does
            for address in [*get_addresses(app), *FURTHER]:
                if given.only not in address or (not given.all and address.endswith(FILES_TO_KEEP)):
                    continue
                took_ms, busy_ms, rows, byte_count = [], [], [], []
                began_served_s = served_s()
                for number in range(given.requests):
                    parts = _parts(shop, rng, counts, molds) if beside is None else of_site
                    if number % DECIDED_EVERY == 0:
                        piece_id = parts["piece_id"] if beside else rng.integers(1, counts["piece"])
                        asking.reviewing.decide(int(piece_id), "sell", decided_by="Ada")
                    target = with_parts(address, parts)
                    seen[0] = 0
                    began_s, began_busy_s = time.perf_counter(), time.process_time()
                    answer = client.get(target)
                    took_ms.append(1000 * (time.perf_counter() - began_s))
                    busy_ms.append(1000 * (time.process_time() - began_busy_s))
                    assert answer.status_code == 200, target
                    rows.append(seen[0])
                    byte_count.append(len(answer.content))
                answered[address] = Answered(
                    took_ms=np.array(took_ms),
                    busy_ms=np.array(busy_ms),
                    served_ms=1000 * (served_s() - began_served_s) / given.requests,
                    rows=float(np.mean(rows)),
                    byte_count=float(np.mean(byte_count)),
                )
                print(f"{answered[address].p95_ms:7.0f} {answered[address].busy_p95_ms:7.0f}  {address}", flush=True)
        event.remove(engine, "after_cursor_execute", _count)
    _tell_memory()
    return answered, missed


def _tell_memory() -> None:
    print(f"\npeak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB", flush=True)


@contextmanager
def _kept_open(shop: Workshop) -> Iterator[Workshop]:
    yield shop


def _parts(shop: Workshop, rng: np.random.Generator, counts: dict[str, int], molds: int) -> dict[str, object]:
    photographed = FILE_EVERY * int(rng.integers(counts["piece"] // FILE_EVERY)) + 1
    mold, other = rng.choice(molds, 2, replace=False)
    return {
        "piece_id": photographed,
        "photo_id": shop.piece(photographed).photos[0].id,
        "mold": f"leaf-{mold:03}",
        "other": f"leaf-{other:03}",
        "pour_id": int(rng.integers(1, counts["pour"])),
        "reference_id": int(rng.integers(1, molds + 1)),
        "size_px": 400,
        "picture": rng.choice(PICTURES),
        "seen": PlaceInList(ENDS_AT - timedelta(days=int(rng.integers(365 * YEARS))), 1).text,
        "waiting": PlaceInList(float(rng.random()), 1).text,
    }


def _add_small_site(place: LogPlace) -> None:
    with Workshop.open(place, engine=DRAWN_ENGINE) as shop:
        if any(site.name == _SMALL_SITE for site in shop.sites.list()):
            return
    fill_log(place, pieces=200, molds=4, site=_SMALL_SITE)


def _parts_of_site(connection: Connection, site_id: int) -> dict[str, object]:
    def first(query: str) -> object:
        return connection.scalar(text(query), {"site": site_id})

    return {
        "piece_id": first("SELECT min(piece_id) FROM piece_standing WHERE site_id = :site"),
        "photo_id": first("SELECT min(id) FROM photo WHERE site_id = :site AND piece_id IS NOT NULL"),
        "mold": "leaf-00",
        "other": "leaf-01",
        "pour_id": first("SELECT min(pour_id) FROM site_pour WHERE site_id = :site"),
        "reference_id": first("SELECT max(id) FROM reference"),
        "size_px": 400,
        "picture": PICTURES[0],
        "seen": PlaceInList(ENDS_AT, 1).text,
        "waiting": PlaceInList(0.5, 1).text,
    }


if __name__ == "__main__":
    sys.exit(main())
