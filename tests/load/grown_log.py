"""A log of ten years and any size, drawn by chance from a seed: rows as the program would have written them.

Rows are put in by the thousand, with indexes made afterwards: a million pieces with three million findings come to some
20 million rows, half of them the history's, in a few minutes. Times, JSON and the rest are given as a log holds them.
The photo of every hundredth piece has a file, the same small drawing with a name of its own; the others have rows only.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from scipy.special import ndtr
from sqlalchemy import Connection, event, func, select

from inspector.curing import en_curve, strength_fraction
from inspector.log import LogPlace, sha256_of
from inspector.log.history import last_link
from inspector.log.rollups import rebuild_rollups
from inspector.log.tables import Base
from inspector.workshop import Workshop
from tests.doubles.drawing import drawn_photo
from tests.doubles.drawn_engine import DRAWN_ENGINE

__all__ = ["ENDS_AT", "FILE_EVERY", "YEARS", "fill_grown_log"]

ENDS_AT = datetime(2026, 11, 20, 12, tzinfo=UTC)
FILE_EVERY = 100
YEARS = 10
_PIECES_A_POUR = 10
_POURS_A_PORTION = 2000
_STILL_IN = 30
_MIXES = 8
_PEOPLE = ("Ada", "Ben", "Cleo", "Dov")
_FEATURES = ("tip", "stem", "left lobe", "right lobe")
_BREAKS = ("chip", "missing feature", "hairline crack")
# A little more than three, so that chance leaves no log with fewer.
_FINDINGS_A_PIECE = 3.01
# Decided pieces are held back for a look now and then: so many of them still wait, beside those of the latest pours.
_FORGOTTEN = 0.001
_POURS_THAT_WAIT = 20
_AGAIN, _SECOND_PHOTO = 0.02, 0.05
_ENCODE = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode


def fill_grown_log(where: Path | LogPlace, *, pieces: int, molds: int, seed: int = 1) -> None:
    """Make a log with so many pieces, a few still in their molds; some molds fill far more often than others."""
    rng = np.random.default_rng(seed)
    with Workshop.open(where, engine=DRAWN_ENGINE) as shop, _without_waiting_for_the_disk(shop):
        _add_molds_and_mixes(shop, molds, rng)
        with shop._log.writing() as session:
            connection = session.connection()
            put = _Putting(connection)
            put.prepare()
            for rows in _portions(shop, connection, pieces, molds, rng):
                for name, columns, of_table in rows:
                    put.rows(name, columns, of_table)
            put.finish()


@contextmanager
def _without_waiting_for_the_disk(shop: Workshop) -> Iterator[None]:
    """What a power cut would cost can be built again."""
    engine = shop._log._engine
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _write_straight_into_the_file)
        engine.dispose()
    with patch("os.fsync"):
        yield


def _write_straight_into_the_file(connection: Any, _record: Any) -> None:
    """One transaction of gigabytes would be looked through for each page, were it written ahead."""
    for setting in ("journal_mode = OFF", "synchronous = OFF", "foreign_keys = OFF", "cache_size = -1000000"):
        connection.execute(f"PRAGMA {setting}")


def _add_molds_and_mixes(shop: Workshop, molds: int, rng: np.random.Generator) -> None:
    for number in range(molds):
        name = f"leaf-{number:03}"
        shop.add_mold(
            name,
            title=f"Leaf {number}",
            material=("silicone", "latex", "urethane")[number % 3],
            release_agent=("none", "soap", "wax")[number % 7 % 3],
        )
        photo = drawn_photo(shade=200) + name.encode()
        reference = shop.add_reference(photo, name=f"{name}.jpg", mold=name).reference
        for place, feature in enumerate(_FEATURES[: 1 + number % len(_FEATURES)]):
            shop.add_feature(
                feature,
                reference_id=reference.id,
                polygon_xy=((60 + 30 * place, 40), (90 + 30 * place, 40), (90 + 30 * place, 80)),
            )
        shop.confirm_reference(reference.id)
    for number in range(_MIXES):
        mix = f"mix-{number}"
        cement_class = ("N", "R")[number % 2]
        shop.add_mix(mix, cement_class=cement_class, water_cement_ratio=0.45, fibres="glass" if number % 4 == 3 else "")
        for age_h in (24.0, 72.0, 672.0):
            fraction = float(strength_fraction(en_curve(cement_class), age_h))
            shop.curing.add_mix_break_test(
                mix,
                age_h=age_h,
                tested_at=ENDS_AT - timedelta(days=365 * YEARS),
                strength_mpa=round(34 * fraction * float(rng.uniform(0.95, 1.05)), 1),
            )


def _portions(
    shop: Workshop, connection: Connection, pieces: int, molds: int, rng: np.random.Generator
) -> Iterator[Iterator[tuple[str, Sequence[str], Iterable[tuple[Any, ...]]]]]:
    """Draw pours with all that belongs to them, in the order of time, some thousand at a time."""
    metadata = Base.metadata.tables
    next_id = {
        name: (connection.scalar(select(func.max(metadata[name].c.id))) or 0) + 1
        for name in ("photo", "piece", "pour", "inspection", "finding", "review", "disposition", "temperature_record",
                     "temperature_reading", "wet_cure", "piece_note", "break_test")
    }  # fmt: skip
    # How often molds are filled: a few carry the shop. Where a half is lost, how sharply, and what is lost at any age.
    often = np.log(rng.lognormal(0, 0.8, molds))
    truth = np.column_stack(
        [rng.lognormal(np.log(0.2), 0.25, molds), rng.uniform(0.2, 0.4, molds), rng.uniform(0.01, 0.06, molds)]
    )
    small_photo = drawn_photo((255, 0, 0), shade=190)
    of_a_pour = min(_PIECES_A_POUR, molds)
    # The latest pours are still in their molds.
    out = -(-pieces // of_a_pour)
    count = out + min(out // 10, _STILL_IN)
    apart_s = YEARS * 365 * 86400 / count
    for first in range(0, count, _POURS_A_PORTION):
        pours = min(_POURS_A_PORTION, count - first)
        chosen = np.argsort(-(often + rng.gumbel(size=(pours, molds))), axis=1)[:, :of_a_pour]
        yield _Portion(shop, next_id, rng, small_photo).tables(
            out=min(pours, max(0, out - first)),
            waits_from=out - first - _POURS_THAT_WAIT,
            poured_s=ENDS_AT.timestamp() - 86400 * 2 - apart_s * (count - 1 - first - np.arange(pours)),
            chosen=chosen,
            truth=truth,
        )


class _Portion:
    """Some thousand pours: ids go on from where the portion before ended."""

    def __init__(self, shop: Workshop, next_id: dict[str, int], rng: np.random.Generator, small_photo: bytes) -> None:
        self._shop = shop
        self._next_id = next_id
        self._rng = rng
        self._small_photo = small_photo

    def _ids(self, name: str, count: int) -> range:
        start = self._next_id[name]
        self._next_id[name] = start + count
        return range(start, start + count)

    def tables(self, *, out, waits_from, poured_s, chosen, truth):
        rng, (pours, of_a_pour) = self._rng, chosen.shape
        pour_ids = self._ids("pour", pours)
        mixes = rng.integers(_MIXES, size=pours)
        day = (poured_s / 86400) % 365
        degc = np.round(17 - 6 * np.cos(2 * np.pi * (day - 15) / 365) + rng.normal(0, 1, pours), 1)
        poured = _times(poured_s)
        molds_of = [sorted({int(mold) + 1 for mold in row}) for row in chosen]
        yield (
            "pour",
            ("id", "mix_id", "poured_at", "poured_offset_min", "cure_notes", "created_at", "molds"),
            zip(pour_ids, (mixes + 1).tolist(), poured, [60] * pours, ["foil"] * pours, poured, molds_of, strict=True),
        )
        yield from self._temperatures(pour_ids, poured, poured_s, degc)

        piece_mold = chosen[:out].ravel()
        count = len(piece_mold)
        of_pour = np.repeat(np.arange(out), of_a_pour)
        age_h = np.round(np.clip(rng.lognormal(np.log(34), 0.4, count), 12, 120), 1)
        # EN 1992-1-1, B.10: how fast concrete ages at a temperature; 3.1.2(6): s by the class of the cement.
        aged_h = age_h * np.exp(13.65 - 4000 / (273 + degc[of_pour]))
        s = np.where(mixes[of_pour] % 2, 0.20, 0.25)
        strength = np.exp(s * (1 - np.sqrt(672 / aged_h)))
        theta, beta, floor = truth[piece_mold].T
        lost = rng.random(count) < floor + (1 - floor) * ndtr(np.log(theta / strength) / beta)
        demolded_s = poured_s[of_pour] + 3600 * age_h
        demolded = _times(demolded_s)
        piece_ids = self._ids("piece", count)
        yield (
            "piece",
            ("id", "mold_id", "pour_id", "demolded_at", "demolded_offset_min", "created_at"),
            zip(piece_ids, (piece_mold + 1).tolist(), (of_pour + pour_ids.start).tolist(), demolded, [60] * count,
                demolded, strict=True),
        )  # fmt: skip
        wet = np.flatnonzero(rng.random(count) < 0.01)
        yield (
            "wet_cure",
            ("id", "pour_id", "piece_id", "until_h", "created_at"),
            [
                (number, None, piece_ids[row], 24.0, demolded[row])
                for number, row in zip(self._ids("wet_cure", len(wet)), wet, strict=True)
            ],
        )
        waits = (of_pour >= waits_from) | (rng.random(count) < _FORGOTTEN)
        yield from self._photographed(piece_ids, piece_mold, demolded, lost, waits)
        decided = np.flatnonzero(~waits)
        outcomes = np.where(lost, np.where(rng.random(count) < 0.7, "scrap", "second"), "sell")
        yield (
            "disposition",
            ("id", "piece_id", "outcome", "decided_by", "note", "undoes_id", "created_at"),
            [
                (number, piece_ids[row], str(outcomes[row]), _PEOPLE[row % len(_PEOPLE)], "", None, demolded[row])
                for number, row in zip(self._ids("disposition", len(decided)), decided, strict=True)
            ],
        )
        noted = np.flatnonzero(rng.random(count) < 0.01)
        yield (
            "piece_note",
            ("id", "piece_id", "text", "written_by", "undoes_id", "created_at"),
            [
                (number, piece_ids[row], "Edge rubbed down.", _PEOPLE[row % len(_PEOPLE)], None, demolded[row])
                for number, row in zip(self._ids("piece_note", len(noted)), noted, strict=True)
            ],
        )

    def _keep(self, data: bytes) -> None:
        """Write a photo's file without waiting for the disk."""
        path = self._shop._log.photos.path(sha256_of(data), "image/jpeg")
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(data)

    def _temperatures(self, pour_ids, poured, poured_s, degc):
        """Tell how warm pours were: most at one temperature, some by a logger, some kept wet, a few tested."""
        rng, pours = self._rng, len(pour_ids)
        logged = rng.random(pours) < 0.03
        record_ids = self._ids("temperature_record", pours)
        yield (
            "temperature_record",
            ("id", "pour_id", "constant_degc", "source", "created_at", "withdrawn_at", "withdrawn_why"),
            [
                (number, pour_ids[row], None if logged[row] else float(degc[row]),
                 "logger.csv" if logged[row] else "typed", poured[row], None, None)
                for row, number in enumerate(record_ids)
            ],
        )  # fmt: skip
        readings = [(row, hour) for row in np.flatnonzero(logged) for hour in range(0, 48, 2)]
        times = _times(np.array([poured_s[row] + 3600 * hour for row, hour in readings]))
        yield (
            "temperature_reading",
            ("id", "record_id", "at", "offset_min", "temperature_degc"),
            [
                (number, record_ids[row], at, 60, float(degc[row]))
                for number, at, (row, _) in zip(
                    self._ids("temperature_reading", len(readings)), times, readings, strict=True
                )
            ],
        )
        wet = np.flatnonzero(rng.random(pours) < 0.2)
        yield (
            "wet_cure",
            ("id", "pour_id", "piece_id", "until_h", "created_at"),
            [
                (number, pour_ids[row], None, 24.0, poured[row])
                for number, row in zip(self._ids("wet_cure", len(wet)), wet, strict=True)
            ],
        )
        tested = np.flatnonzero(rng.random(pours) < 0.01)
        columns = ("id", "pour_id", "mix_id", "tested_at", "tested_offset_min", "age_h", "cure_degc", "strength_mpa",
                   "word", "note", "created_at", "withdrawn_at", "withdrawn_why")  # fmt: skip
        yield (
            "break_test",
            columns,
            [
                (number, pour_ids[row], None, _time(poured_s[row] + 86400), 60, None, None, None, "snaps clean", "",
                 poured[row], None, None)
                for number, row in zip(self._ids("break_test", len(tested)), tested, strict=True)
            ],
        )  # fmt: skip

    def _photographed(self, piece_ids, piece_mold, demolded, lost, waits):
        """Give pieces their photos, inspections, findings, and what people said about those."""
        rng, count = self._rng, len(piece_ids)
        second = np.flatnonzero(rng.random(count) < _SECOND_PHOTO)
        of_piece = np.sort(np.concatenate([np.arange(count), second]))
        photo_ids = self._ids("photo", len(of_piece))
        photos = []
        for row, number in zip(of_piece, photo_ids, strict=True):
            data = f"photo {number}".encode()
            if piece_ids[row] % FILE_EVERY == 1:
                data = self._small_photo + data
                self._keep(data)
            photos.append(
                (number, 1, sha256_of(data), f"{number}.jpg", "image/jpeg", len(data), 320, 240, demolded[row], 60,
                 piece_ids[row], int(piece_mold[row]) + 1, demolded[row])
            )  # fmt: skip
        columns = ("id", "site_id", "sha256", "name", "media_type", "byte_count", "width_px", "height_px", "taken_at",
                   "taken_offset_min", "piece_id", "view_id", "created_at")  # fmt: skip
        yield "photo", columns, photos

        again = np.flatnonzero(rng.random(len(of_piece)) < _AGAIN)
        of_photo = np.concatenate([np.arange(len(of_piece)), again])
        inspection_ids = self._ids("inspection", len(of_photo))
        score = np.round(np.where(lost[of_piece[of_photo]], 0.6, 0.1) + rng.random(len(of_photo)) * 0.4, 4)
        matrix = "[[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]"
        columns = ("id", "photo_id", "engine_version", "status", "reason", "score", "px_per_mm", "reference_name",
                   "seconds", "warnings", "photo_from_reference", "not_counted", "created_at")  # fmt: skip
        piece_rows = of_piece[of_photo]
        yield (
            "inspection",
            columns,
            [
                (number, photo_ids[photo], "drawn-1", "inspected", None, float(score[row]), 5.0,
                 f"leaf-{piece_mold[piece_rows[row]]:03}.jpg", 0.5, "[]", matrix, "[]", demolded[piece_rows[row]])
                for row, (number, photo) in enumerate(zip(inspection_ids, of_photo, strict=True))
            ],
        )  # fmt: skip

        per_photo = _FINDINGS_A_PIECE / ((1 + _SECOND_PHOTO) * (1 + _AGAIN))
        found = rng.poisson(per_photo, len(of_photo))
        found = np.maximum(found, lost[piece_rows])  # what was lost was seen
        of_inspection = np.repeat(np.arange(len(of_photo)), found)
        is_first = np.r_[True, of_inspection[1:] != of_inspection[:-1]] if len(of_inspection) else np.zeros(0, bool)
        piece_of = piece_rows[of_inspection]
        breaks = is_first & lost[piece_of]
        kind_of = rng.integers(len(_BREAKS), size=len(of_inspection))
        is_void = ~breaks & (rng.random(len(of_inspection)) < 0.6)
        feature_of = rng.integers(len(_FEATURES), size=len(of_inspection))
        at_x, at_y = (rng.integers(*span, size=len(of_inspection)) for span in ((60, 250), (40, 190)))
        confidence = np.round(rng.uniform(0.4, 1, len(of_inspection)), 3)
        finding_ids = self._ids("finding", len(of_inspection))
        columns = ("id", "inspection_id", "kind", "polygon_xy", "confidence", "area_mm2", "length_mm", "width_mm",
                   "depth_mm", "feature_name", "drawn_by", "confidence_alone", "dismissed_on",
                   "on_references")  # fmt: skip

        def findings() -> Iterator[tuple[Any, ...]]:
            for row, number in enumerate(finding_ids):
                x, y = at_x[row], at_y[row]
                polygon = f"[[{x}, {y}], [{x + 12}, {y}], [{x + 12}, {y + 9}], [{x}, {y + 9}]]"
                mold = piece_mold[piece_of[row]]
                named = feature_of[row] % (1 + mold % len(_FEATURES)) if breaks[row] else None
                yield (
                    number, inspection_ids[of_inspection[row]],
                    "surface void" if is_void[row] else _BREAKS[kind_of[row]], polygon, float(confidence[row]),
                    18.0, 6.0, 3.0, None, None if named is None else _FEATURES[named], None, None, None,
                    f'{{"leaf-{mold:03}.jpg": {polygon}}}' if row % 4 == 0 else None,
                )  # fmt: skip

        yield "finding", columns, findings()
        said = np.flatnonzero(~waits[piece_of])
        columns = ("id", "finding_id", "verdict", "new_kind", "outline_xy", "area_mm2", "length_mm", "width_mm",
                   "undoes_id", "reviewer", "created_at")  # fmt: skip
        yield (
            "review",
            columns,
            [
                (number, finding_ids[row], "confirmed" if breaks[row] or is_void[row] else "dismissed", None, None,
                 None, None, None, None, _PEOPLE[row % len(_PEOPLE)], demolded[piece_of[row]])
                for number, row in zip(self._ids("review", len(said)), said, strict=True)
            ],
        )  # fmt: skip


class _Putting:
    """Puts rows into a database, each with its entry in the history."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._on_server = connection.dialect.name == "postgresql"
        self._raw = connection.connection.dbapi_connection
        self._link = last_link(connection)
        self._indexes = [
            index
            for name in ("piece", "photo", "inspection", "finding", "review", "disposition", "change", "pour_mold")
            for index in Base.metadata.tables[name].indexes
        ]

    def prepare(self) -> None:
        for index in self._indexes:
            index.drop(self._connection)
        if self._on_server:
            # As a replica does: what refers to what is not looked up for each row.
            self._connection.exec_driver_sql("SET LOCAL session_replication_role = replica")
            self._connection.exec_driver_sql("SET LOCAL timezone = 'UTC'")
            self._connection.exec_driver_sql("SET LOCAL maintenance_work_mem = '512MB'")

    def finish(self) -> None:
        for index in self._indexes:
            index.create(self._connection)
        if self._on_server:
            self._connection.exec_driver_sql("ANALYZE")  # else each portion of the rollups reads whole tables
        rebuild_rollups(self._connection)
        if self._on_server:
            for each in Base.metadata.sorted_tables:
                if "id" in each.c:
                    self._connection.exec_driver_sql(
                        f"SELECT setval(pg_get_serial_sequence('{each.name}', 'id'), coalesce(max(id), 0) + 1, false) "
                        f"FROM {each.name}"
                    )

    def rows(self, name: str, columns: Sequence[str], rows: Iterable[tuple[Any, ...]]) -> None:
        """Put rows into a table; the molds of a pour, its last column, go where pours and molds are joined."""
        rows = list(rows)
        joined = columns[-1] == "molds"
        self._put(name, columns[:-1] if joined else columns, [row[:-1] for row in rows] if joined else rows)
        if joined:
            self._put("pour_mold", ("pour_id", "mold_id"), [(row[0], mold) for row in rows for mold in row[-1]])
        told = ["pour_mold" if key == "molds" else key for key in columns]
        entry = ("at", "by", "did", "row_table", "row_id", "before", "state_sha256", "link")
        self._put("change", entry, self._changes(name, told, rows))

    def _changes(self, name: str, columns: list[str], rows: list[tuple[Any, ...]]) -> Iterator[tuple[Any, ...]]:
        """One entry a row, as `inspector.log.history` would add it; a test holds the two together."""
        created = columns.index("created_at") if "created_at" in columns else None
        at, link = "2026-11-20 12:00:00.000000", self._link
        for row in rows:
            state = {
                key: value.hex() if isinstance(value, bytes) else value
                for key, value in zip(columns, row, strict=True)
                if value is not None
            }
            digest = hashlib.sha256(_ENCODE(state).encode())
            at = at if created is None else row[created]
            told_at = f"{at[:10]}T{at[11:19]}+00:00"
            said = f'["{told_at}","Ada","added","{name}",{row[0]},null,"{digest.hexdigest()}"]'
            link = hashlib.sha256(link + said.encode()).digest()
            yield at, "Ada", "added", name, row[0], None, digest.digest(), link
        self._link = link

    def _put(self, name: str, columns: Sequence[str], rows: Iterable[tuple[Any, ...]]) -> None:
        quoted = ", ".join(f'"{column}"' for column in columns)
        if self._on_server:
            with self._raw.cursor().copy(f"COPY {name} ({quoted}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)
        else:
            places = ", ".join("?" * len(columns))
            self._raw.executemany(f"INSERT INTO {name} ({quoted}) VALUES ({places})", rows)


def _time(at_s: float) -> str:
    return f"{datetime.fromtimestamp(round(at_s), UTC):%Y-%m-%d %H:%M:%S}.000000"


def _times(at_s: Any) -> list[str]:
    return [text.replace("T", " ") + ".000000" for text in np.round(at_s).astype("datetime64[s]").astype(str)]
