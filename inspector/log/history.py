"""The history: who changed which row of the log, when, and from what to what, in a chain that a silent edit breaks.

Rows of the log are nearly always only added, and then say themselves what is new. So the history repeats nothing: each
of its entries holds a SHA-256 of the row's new state and, where there was a state before, that state. What a row was
after an entry is the `before` of its next entry, or the row as it stands. Each entry's link is a SHA-256 over the
link of the entry before and all that the entry says (a hash chain, as in Haber and Stornetta, "How to time-stamp a
digital document", 1991), so that neither a row nor an entry can be edited, slipped in or taken out unseen. Whoever
can write to the database could still forge all that follows; the last link, noted elsewhere, gives that away.

Repositories need not think of it: `recording_history` watches the session that they write through.
"""

import hashlib
import json
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby
from operator import itemgetter
from typing import Any, Literal

from sqlalchemy import (
    ColumnClause,
    Connection,
    column,
    event,
    func,
    insert,
    inspect,
    select,
    table,
)
from sqlalchemy.orm import Session

from inspector.errors import InputError
from inspector.log.access_tables import SECRET_TABLES
from inspector.log.awaiting_tables import AwaitingPhotoRow
from inspector.log.design_tables import MoldEstimateRow
from inspector.log.held_rows import ROWS_A_STATEMENT, held_rows
from inspector.log.history_tables import ChangeRow
from inspector.log.learnt_tables import LearntRow, MoldOutlookRow
from inspector.log.rollup_tables import MoldPourRow, PhotoCountRow, PieceStandingRow, SitePourRow
from inspector.log.site_tables import SiteRow

__all__ = [
    "Change",
    "HistoryFault",
    "act_from_now_on_as",
    "acting_as",
    "acting_name",
    "carry_over",
    "count_changes",
    "history_faults",
    "last_link",
    "list_changes",
    "recording_history",
    "rows_amiss",
]

State = Mapping[str, Any]
"""What a row says: its columns that are not empty, as the database holds them."""
RowKey = tuple[str, int]
"""Table and number of a row."""

# Not in the history: the history itself, which migrations were run, what the program has still to do, what is worked
# out from the log (`waiting_piece` in schemas before 0014), secrets with what comes and goes with them, and the names
# of sites, the first of which comes with the tables: what belongs to one and who may see it is told.
_OUTSIDE_ROWS = (
    AwaitingPhotoRow, ChangeRow, LearntRow, MoldEstimateRow, MoldOutlookRow, MoldPourRow, PhotoCountRow,
    PieceStandingRow, SitePourRow, SiteRow,
)  # fmt: skip
_OUTSIDE = frozenset(row.__tablename__ for row in _OUTSIDE_ROWS) | {"alembic_version", "waiting_piece"} | SECRET_TABLES
# Tables that only join two others are part of what the first one's rows say.
_JOINING = {"pour_mold": ("pour", "pour_id", "mold_id")}

# Made once: a check of a large log writes twenty million things like that.
_ENCODER = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False)

_acting: ContextVar[str | None] = ContextVar("acting", default=None)


@dataclass(frozen=True, slots=True)
class Change:
    """One entry of the history."""

    id: int
    at: datetime
    by: str | None
    """Who did it, None where nobody had given a name."""
    did: str
    row_table: str
    row_id: int
    before: State | None
    after: State | None
    """None where the row was removed, or where a migration then carried another state over."""


@dataclass(frozen=True, slots=True)
class HistoryFault:
    """A place where the log is not what its history says."""

    kind: Literal["entry", "changed", "added", "removed"]
    """`entry`: an entry was edited, slipped in or taken out; else what was done to a row without the history."""
    row_table: str
    row_id: int
    change_id: int | None
    """The entry that does not fit, or the last one that tells of the row."""

    @property
    def row(self) -> RowKey:
        """Table and number of the row."""
        return self.row_table, self.row_id


@contextmanager
def acting_as(name: str | None) -> Iterator[None]:
    """Have everything that is written meanwhile go under a person's name."""
    token = _acting.set(name)
    try:
        yield
    finally:
        _acting.reset(token)


def act_from_now_on_as(name: str) -> None:
    """Have all that is written in the rest of a request, or whatever else has a context of its own, go under a name."""
    _acting.set(name)


def acting_name() -> str | None:
    """Give the name under which is written just now."""
    return _acting.get()


@contextmanager
def recording_history(session: Session) -> Iterator[None]:
    """Add to the history what a session writes meanwhile, in the same transaction."""
    before: dict[RowKey, State | None] = {}

    def note_what_was(session: Session, *_: Any) -> None:
        touched = [*(row for row in session.dirty if session.is_modified(row)), *session.deleted]
        keys = {_key(row) for row in touched if _is_told(row)}
        before.update(_states(session.connection(), {key for key in keys if key not in before}))

    def note_what_is_new(session: Session, *_: Any) -> None:
        for row in filter(_is_told, session.new):
            before.setdefault(_key(row), None)

    event.listen(session, "before_flush", note_what_was)
    event.listen(session, "after_flush", note_what_is_new)
    yield
    session.flush()
    if before:
        connection = session.connection()
        after = _states(connection, before)
        changes = [_NewChange(key, before[key], _digest(after[key])) for key in before if before[key] != after[key]]
        _append(connection, changes, by=_acting.get(), at=datetime.now(UTC))


def carry_over(
    connection: Connection, *, tables: Collection[str] | None, by: str, at: datetime, but_for: Iterable[RowKey]
) -> None:
    """Take the rows as they are now into the history, but for those that were amiss before.

    Parameters
    ----------
    connection : Connection
        In the transaction of the migration that changed them.
    tables : collection of str or None
        Whose rows it may have changed; None: any.
    by : str
        The migration.
    at : datetime
    but_for : iterable of RowKey
        What `rows_amiss` found before the migration: that stays to be found.
    """
    if not _is_kept(connection):
        return
    left_alone = set(but_for)
    changes = [
        _NewChange((name, row.row_id), None, row.digest, did="carried over")
        for name in sorted(_told_tables(connection) if tables is None else tables)
        for row in _unlike_rows(connection, name)
        if (name, row.row_id) not in left_alone
    ]
    _append(connection, changes, by=by, at=at)


def rows_amiss(connection: Connection, tables: Collection[str] | None) -> tuple[RowKey, ...]:
    """Find rows that are not what the history says of them: of some tables, or of any.

    Entries are not held against each other: `history_faults` does that.
    """
    if not _is_kept(connection):
        return ()
    return tuple(
        (name, row.row_id)
        for name in sorted(_told_tables(connection) if tables is None else tables)
        for row in _unlike_rows(connection, name)
    )


def history_faults(connection: Connection) -> tuple[HistoryFault, ...]:
    """Find where the log and its history do not fit each other: first the entries, then the rows.

    Returns
    -------
    faults : tuple of HistoryFault
        Empty where all fits, and where there is no history yet: a log of an older program.
    """
    if not _is_kept(connection):
        return ()
    broken = dict(_broken_links(connection))
    faults = []
    for name in sorted(_told_tables(connection)):
        for row in _unlike_rows(connection, name, broken):
            kind: Literal["added", "removed", "changed"] = "changed"
            if row.told is None:
                kind = "added"
            elif row.digest is None:
                kind = "removed"
            faults.append(HistoryFault(kind, name, row.row_id, change_id=row.change_id))
    return (*(broken[number] for number in sorted(broken)), *faults)


def last_link(connection: Connection) -> bytes:
    """Give the link of the last entry; empty where there is none."""
    if not _is_kept(connection):
        return b""
    return connection.scalar(select(ChangeRow.link).order_by(ChangeRow.id.desc()).limit(1)) or b""


def count_changes(connection: Connection) -> int:
    """Count the entries; 0 where there is no history yet."""
    return (connection.scalar(select(func.count()).select_from(ChangeRow)) or 0) if _is_kept(connection) else 0


def list_changes(
    session: Session, *, row_table: str | None = None, row_id: int | None = None, limit: int
) -> tuple[Change, ...]:
    """List the latest entries, newest first: of all rows, of those of a table, or of one row.

    Raises
    ------
    InputError
        If there is no such table.
    """
    connection = session.connection()
    tables = sorted(set(inspect(connection).get_table_names()) - _OUTSIDE - _JOINING.keys())
    if row_table is not None and row_table not in tables:
        raise InputError(f"The history knows no {row_table}. It tells of: {', '.join(tables)}.")
    query = select(ChangeRow).order_by(ChangeRow.id.desc()).limit(limit)
    if row_table is not None:
        query = query.where(ChangeRow.row_table == row_table)
    if row_id is not None:
        query = query.where(ChangeRow.row_id == row_id)
    entries = session.scalars(query).all()
    now = _states(connection, {(entry.row_table, entry.row_id) for entry in entries})
    return tuple(
        Change(
            id=entry.id,
            at=entry.at,
            by=entry.by,
            did=entry.did,
            row_table=entry.row_table,
            row_id=entry.row_id,
            before=entry.before,
            after=_state_after(session, entry, now[(entry.row_table, entry.row_id)]),
        )
        for entry in entries
    )


@dataclass(frozen=True, slots=True)
class _NewChange:
    """An entry on its way into the history."""

    key: RowKey
    before: State | None
    state_sha256: bytes | None
    did: str = ""

    def as_row(self, *, by: str | None, at: datetime) -> dict[str, Any]:
        did = self.did or ("added" if self.before is None else "removed" if self.state_sha256 is None else "changed")
        row_table, row_id = self.key
        return {
            "at": at,
            "by": by,
            "did": did,
            "row_table": row_table,
            "row_id": row_id,
            "before": self.before,
            "state_sha256": self.state_sha256,
        }


@dataclass(frozen=True, slots=True)
class _UnlikeRow:
    """A row that is not what the last entry of it says."""

    row_id: int
    change_id: int | None
    told: bytes | None
    """Digest of the state that the last entry tells; None where it is gone by that, or there is none."""
    digest: bytes | None
    """Of the state that it has; None where it is not there."""


def _state_after(session: Session, entry: ChangeRow, now: State | None) -> State | None:
    later = (
        select(ChangeRow)
        .where(ChangeRow.row_table == entry.row_table, ChangeRow.row_id == entry.row_id, ChangeRow.id > entry.id)
        .order_by(ChangeRow.id)
        .limit(1)
    )
    following = session.scalar(later)
    return now if following is None else following.before


def _is_kept(connection: Connection) -> bool:
    """Whether there is a history: a log of an older program has none."""
    return inspect(connection).has_table(ChangeRow.__tablename__)


def _append(connection: Connection, changes: Iterable[_NewChange], *, by: str | None, at: datetime) -> None:
    link = last_link(connection)
    rows = []
    for change in changes:
        row = change.as_row(by=by, at=at)
        link = row["link"] = _link(link, row)
        rows.append(row)
    if rows:
        connection.execute(insert(ChangeRow), rows)


def _broken_links(connection: Connection) -> Iterator[tuple[int, HistoryFault]]:
    """Walk along the chain, and give the entries that do not hold to the one before, by their numbers."""
    link = b""
    entries = select(ChangeRow.__table__).order_by(ChangeRow.id).execution_options(yield_per=ROWS_A_STATEMENT)
    for entry in connection.execute(entries).mappings():
        if entry["link"] != _link(link, entry):
            yield entry["id"], HistoryFault("entry", entry["row_table"], entry["row_id"], change_id=entry["id"])
        link = entry["link"]


def _told_tables(connection: Connection) -> set[str]:
    """Tables whose rows the history tells of, or should."""
    told = set(connection.scalars(select(ChangeRow.row_table).distinct()))
    return told | (set(inspect(connection).get_table_names()) - _OUTSIDE - _JOINING.keys())


def _unlike_rows(
    connection: Connection, name: str, broken: dict[int, HistoryFault] | None = None
) -> Iterator[_UnlikeRow]:
    """Hold the rows of a table against the last entry of each, both in the order of their numbers, one at a time.

    To `broken` are added the entries that tell another state before them than the entry before did.
    """
    told = _last_entries(connection, name, broken)
    now = ((key[1], _digest(state)) for key, state in _states_in_table(connection, name, None))
    entry, row = next(told, None), next(now, None)
    while entry is not None or row is not None:
        if row is None or (entry is not None and entry[0] < row[0]):
            assert entry is not None
            if entry[2] is not None:
                yield _UnlikeRow(*entry, digest=None)
            entry = next(told, None)
        elif entry is None or row[0] < entry[0]:
            yield _UnlikeRow(row[0], None, None, digest=row[1])
            row = next(now, None)
        else:
            if entry[2] != row[1]:
                yield _UnlikeRow(*entry, digest=row[1])
            entry, row = next(told, None), next(now, None)


def _last_entries(
    connection: Connection, name: str, broken: dict[int, HistoryFault] | None
) -> Iterator[tuple[int, int, bytes | None]]:
    """Give for each row of a table that the history tells of: its number, its last entry, and the digest told by it."""
    entries = (
        select(ChangeRow.row_id, ChangeRow.id, ChangeRow.state_sha256, ChangeRow.before)
        .where(ChangeRow.row_table == name)
        .order_by(ChangeRow.row_id, ChangeRow.id)
        .execution_options(yield_per=ROWS_A_STATEMENT)
    )
    last: tuple[int, int, bytes | None] | None = None
    for row_id, change_id, digest, before in connection.execute(entries):
        if last is not None and last[0] != row_id:
            yield last
            last = None
        if broken is not None and before is not None and (None if last is None else last[2]) != _digest(before):
            broken.setdefault(change_id, HistoryFault("entry", name, row_id, change_id=change_id))
        last = (row_id, change_id, digest)
    if last is not None:
        yield last


def _link(before: bytes, entry: Mapping[Any, Any]) -> bytes:
    digest = entry["state_sha256"]
    said = [
        entry["at"].astimezone(UTC).isoformat(),
        entry["by"],
        entry["did"],
        entry["row_table"],
        entry["row_id"],
        entry["before"],
        None if digest is None else digest.hex(),
    ]
    return hashlib.sha256(before + _canonical(said)).digest()


def _digest(state: State | None) -> bytes | None:
    return None if state is None else hashlib.sha256(_canonical(state)).digest()


def _canonical(said: Any) -> bytes:
    return _ENCODER.encode(said).encode()


def _is_told(row: object) -> bool:
    return inspect(row, raiseerr=True).mapper.local_table.name not in _OUTSIDE


def _key(row: object) -> RowKey:
    """Table and number of what the session writes; of the first row that it joins, where it only joins."""
    name = inspect(row, raiseerr=True).mapper.local_table.name
    if name in _JOINING:
        first, number, _ = _JOINING[name]
        return first, getattr(row, number)
    return name, getattr(row, "id")  # noqa: B009 - every other table has it, and a test says so


def _states(connection: Connection, keys: Iterable[RowKey]) -> dict[RowKey, State | None]:
    """Read what rows say; None for those that are not there."""
    states: dict[RowKey, State | None] = dict.fromkeys(keys)
    ids_by_table: dict[str, list[int]] = {}
    for name, row_id in states:
        ids_by_table.setdefault(name, []).append(row_id)
    for name, ids in ids_by_table.items():
        for start in range(0, len(ids), ROWS_A_STATEMENT):
            states.update(_states_in_table(connection, name, ids[start : start + ROWS_A_STATEMENT]))
    return states


def _states_in_table(connection: Connection, name: str, ids: list[int] | None) -> Iterator[tuple[RowKey, State]]:
    """Read rows of a table, as they are held: all that matters is whether they are the same tomorrow.

    All of them come in the order of their numbers, none where there is no such table. Empty columns are left out, so
    that a column that a later program adds changes no digest.
    """
    if ids is None and not inspect(connection).has_table(name):
        return
    joined = {
        joining: _Joined(connection, joining, number, other, ids)
        for joining, (first, number, other) in _JOINING.items()
        if first == name
    }
    for row in held_rows(connection, name, ids=ids, order_by=("id",)):
        state = {key: _plain(value) for key, value in row.items() if value is not None}
        state |= {joining: found for joining, each in joined.items() if (found := each.with_row(row["id"]))}
        yield (name, row["id"]), state


class _Joined:
    """What a table that joins two others has with each row of the first, asked for in the order of their numbers."""

    def __init__(self, connection: Connection, joining: str, number: str, other: str, ids: list[int] | None) -> None:
        columns: list[ColumnClause[int]] = [column(number), column(other)]
        query = select(*columns).select_from(table(joining)).order_by(*columns)
        if ids is None:
            query = query.execution_options(yield_per=ROWS_A_STATEMENT)
        else:
            query = query.where(column(number).in_(ids))
        self._groups = groupby(connection.execute(query), key=itemgetter(0))
        self._next = next(self._groups, None)

    def with_row(self, row_id: int) -> list[int]:
        """Give the numbers in the other table; those of rows before are passed over."""
        while self._next is not None and self._next[0] < row_id:
            self._next = next(self._groups, None)
        if self._next is None or self._next[0] != row_id:
            return []
        return [row[1] for row in self._next[1]]


def _plain(value: Any) -> Any:
    return value.hex() if isinstance(value, bytes) else value
