"""Keeping what is worked out from the log in step with it: how it stands with pieces, which pours went where, counts.

All of it could be worked out from the log at any time, by looking at every piece and pour ever made. They say nothing
that the log does not and are outside the history; `disagreements` holds them against the log, `rebuild_rollups` makes
them anew.
"""

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Select, delete, event, func, insert, inspect, select, update
from sqlalchemy.orm import Session

from inspector.log.answered_tables import AnsweredFindingRow
from inspector.log.portions import in_portions
from inspector.log.pour_tables import PourWithdrawalRow
from inspector.log.rollup_tables import PHOTO_STATES, MoldPourRow, PhotoCountRow, PieceStandingRow, SitePourRow
from inspector.log.standings import Standing, read_standings
from inspector.log.tables import (
    DefectNoteRow,
    DispositionRow,
    FindingRow,
    InspectionRow,
    MoldRow,
    PhotoRow,
    PieceRow,
    PourMoldRow,
    PourRow,
    ReviewRow,
)

__all__ = ["disagreements", "keeping_rollups", "rebuild_rollups"]

_PORTION = 2000
_PHOTO_COLUMNS = tuple(PieceStandingRow.__table__.c[f"photos_{state}"] for state in PHOTO_STATES)


@contextmanager
def keeping_rollups(session: Session) -> Iterator[None]:
    """Have them follow what a session writes meanwhile, in the same transaction."""
    touched = _Touched()
    event.listen(session, "after_flush", touched.note)
    yield
    session.flush()
    connection = session.connection()
    for portion in in_portions(sorted(touched.find_pieces(connection)), _PORTION):
        _put_standings(connection, portion)
    for portion in in_portions(sorted(touched.pours), _PORTION):
        _put_pours(connection, portion)


def rebuild_rollups(connection: Connection) -> None:
    """Work all of them out anew, a portion at a time; a log of an older program has none, or not all."""
    if not inspect(connection).has_table(SitePourRow.__tablename__):  # the one that came last
        return
    connection.execute(delete(PieceStandingRow))
    connection.execute(delete(PhotoCountRow))
    for portion in _all_numbers(connection, PieceRow):
        _put_standings(connection, portion)
    connection.execute(delete(MoldPourRow))
    connection.execute(delete(SitePourRow))
    for portion in _all_numbers(connection, PourRow):
        _put_pours(connection, portion)


def disagreements(connection: Connection) -> list[tuple[str, int | str]]:
    """Find what rollups and log say different things of: `piece` or `pour` and its number, `photos` and a state."""
    wrong: list[tuple[str, int | str]] = []
    photos: Counter[tuple[int, str]] = Counter()
    columns = [PieceStandingRow.__table__.c[name] for name in Standing.__slots__]
    for portion in _all_numbers(connection, PieceRow):
        of_portion = select(*columns).where(PieceStandingRow.piece_id.between(portion[0], portion[-1]))
        kept = {row.piece_id: Standing(**row._mapping) for row in connection.execute(of_portion)}
        told = {standing.piece_id: standing for standing in read_standings(connection, portion)}
        wrong += [("piece", number) for number in sorted(kept.keys() | told) if kept.get(number) != told.get(number)]
        for standing in told.values():
            photos.update({(standing.site_id, state): getattr(standing, f"photos_{state}") for state in PHOTO_STATES})
    for portion in _all_numbers(connection, PourRow):
        unlike: set[int] = set()
        for table, told_pours in ((MoldPourRow, _pours_into(portion)), (SitePourRow, _pours_at_sites(portion))):
            of_portion = select(table.__table__).where(table.pour_id.between(portion[0], portion[-1]))
            kept_rows, told_rows = (
                {tuple(row) for row in connection.execute(each)} for each in (of_portion, told_pours)
            )
            unlike.update(row[2] for row in kept_rows ^ told_rows)
        wrong += [("pour", number) for number in sorted(unlike)]
    counts = connection.execute(select(PhotoCountRow.site_id, PhotoCountRow.state, PhotoCountRow.photos))
    photos.subtract({(site_id, state): count for site_id, state, count in counts})
    wrong += [("photos", state) for state in sorted({state for (_, state), more in photos.items() if more})]
    return wrong


class _Touched:
    """The numbers of what a session wrote to, each as its row names it."""

    def __init__(self) -> None:
        self._findings: set[int] = set()
        self._inspections: set[int] = set()
        self._photos: set[int] = set()
        self._pieces: set[int | None] = set()
        self.pours: set[int] = set()

    def note(self, session: Session, *_: Any) -> None:
        """Take down what is being written; what rows refer to cannot be asked for while they are."""
        for row in [*session.new, *session.dirty, *session.deleted]:
            match row:
                case PieceRow():
                    self._pieces.add(row.id)
                case PhotoRow() | DispositionRow() | DefectNoteRow():
                    self._pieces.add(row.piece_id)
                case InspectionRow():
                    self._photos.add(row.photo_id)
                case FindingRow():
                    self._inspections.add(row.inspection_id)
                case ReviewRow():
                    self._findings.add(row.finding_id)
                case AnsweredFindingRow():
                    self._findings.update((row.finding_id, row.answered_by_id))
                case PourRow():
                    self.pours.add(row.id)
                case PourWithdrawalRow():
                    self.pours.add(row.pour_id)

    def find_pieces(self, connection: Connection) -> set[int]:
        """Find the pieces that any of it is of."""
        for portion in in_portions(sorted(self._findings), _PORTION):
            of_findings = select(FindingRow.inspection_id).where(FindingRow.id.in_(portion))
            self._inspections.update(connection.scalars(of_findings))
        for portion in in_portions(sorted(self._inspections), _PORTION):
            of_inspections = select(InspectionRow.photo_id).where(InspectionRow.id.in_(portion))
            self._photos.update(connection.scalars(of_inspections))
        for portion in in_portions(sorted(self._photos), _PORTION):
            self._pieces.update(connection.scalars(select(PhotoRow.piece_id).where(PhotoRow.id.in_(portion))))
        return {piece_id for piece_id in self._pieces if piece_id is not None}


def _put_standings(connection: Connection, piece_ids: list[int]) -> None:
    counted = _photos_by_site(connection, piece_ids)
    connection.execute(delete(PieceStandingRow).where(PieceStandingRow.piece_id.in_(piece_ids)))
    if standings := read_standings(connection, piece_ids):
        connection.execute(insert(PieceStandingRow), [standing.as_row() for standing in standings])
    change = _photos_by_site(connection, piece_ids)
    change.subtract(counted)
    for (site_id, state), more in change.items():
        if more:
            _count_photos(connection, site_id, state, more)


def _photos_by_site(connection: Connection, piece_ids: list[int]) -> Counter[tuple[int, str]]:
    """Count photos of pieces, as their standings say, by site and state."""
    counts = (
        select(PieceStandingRow.site_id, *(func.sum(column) for column in _PHOTO_COLUMNS))
        .where(PieceStandingRow.piece_id.in_(piece_ids))
        .group_by(PieceStandingRow.site_id)
    )
    return Counter(
        {
            (site_id, state): photos
            for site_id, *by_state in connection.execute(counts)
            for state, photos in zip(PHOTO_STATES, by_state, strict=True)
        }
    )


def _count_photos(connection: Connection, site_id: int, state: str, more: int) -> None:
    put = (PhotoCountRow.site_id == site_id) & (PhotoCountRow.state == state)
    counted = connection.execute(update(PhotoCountRow).where(put).values(photos=PhotoCountRow.photos + more))
    if not counted.rowcount:
        connection.execute(insert(PhotoCountRow), {"site_id": site_id, "state": state, "photos": more})


def _put_pours(connection: Connection, pour_ids: list[int]) -> None:
    connection.execute(delete(MoldPourRow).where(MoldPourRow.pour_id.in_(pour_ids)))
    connection.execute(insert(MoldPourRow).from_select(["mold_id", "poured_at", "pour_id"], _pours_into(pour_ids)))
    connection.execute(delete(SitePourRow).where(SitePourRow.pour_id.in_(pour_ids)))
    columns = ["site_id", "poured_at", "pour_id", "withdrawn"]
    connection.execute(insert(SitePourRow).from_select(columns, _pours_at_sites(pour_ids)))


def _pours_into(pour_ids: list[int]) -> Select[int, datetime, int]:
    return (
        select(PourMoldRow.mold_id, PourRow.poured_at, PourRow.id)
        .join(PourRow, PourRow.id == PourMoldRow.pour_id)
        .where(PourRow.id.in_(pour_ids), PourRow.id.not_in(select(PourWithdrawalRow.pour_id)))
    )


def _pours_at_sites(pour_ids: list[int]) -> Select[int, datetime, int, bool]:
    withdrawn = PourRow.id.in_(select(PourWithdrawalRow.pour_id))
    return (
        select(MoldRow.site_id, PourRow.poured_at, PourRow.id, withdrawn)
        .distinct()
        .join(PourMoldRow, PourMoldRow.mold_id == MoldRow.id)
        .join(PourRow, PourRow.id == PourMoldRow.pour_id)
        .where(PourRow.id.in_(pour_ids))
    )


def _all_numbers(connection: Connection, of: type[PieceRow] | type[PourRow]) -> Iterator[list[int]]:
    """Give the numbers of all rows, some at a time."""
    last = 0
    while portion := list(connection.scalars(select(of.id).where(of.id > last).order_by(of.id).limit(_PORTION))):
        yield portion
        last = portion[-1]
