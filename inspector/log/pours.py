"""Mixes and pours in the log."""

from collections.abc import Sequence
from datetime import UTC, datetime

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session, joinedload, selectinload

from inspector.errors import InputError
from inspector.log.molds import mold_row
from inspector.log.opening import Log
from inspector.log.portions import in_portions
from inspector.log.pour_tables import PourWithdrawalRow
from inspector.log.records import CEMENT_CLASSES, Admixture, CementClass, Mix, Pour
from inspector.log.rollup_tables import MoldPourRow, SitePourRow
from inspector.log.tables import AdmixtureRow, MixRow, PieceRow, PourRow, offset_minutes, with_offset

__all__ = [
    "add_mix",
    "add_pour",
    "find_mix",
    "find_pour",
    "list_mixes",
    "list_pours",
    "list_pours_into",
    "mix_record",
    "mix_row",
    "pour_row",
]

# Pours are read in portions of this many.
_PORTION = 500


def add_mix(
    log: Log,
    name: str,
    *,
    cement_class: CementClass,
    water_cement_ratio: float,
    aggregate: str,
    admixtures: Sequence[Admixture],
    fibres: str,
) -> Mix:
    """Add a recipe.

    Raises
    ------
    InputError
        If there is a mix of that name.
    """
    with log.writing() as session:
        if session.scalar(select(MixRow.id).where(MixRow.name == name)) is not None:
            raise InputError(f"There is a mix {name} already. A changed recipe is a new mix: give it another name.")
        row = MixRow(
            name=name,
            cement_class=cement_class,
            water_cement_ratio=water_cement_ratio,
            aggregate=aggregate,
            fibres=fibres,
            created_at=datetime.now(UTC),
            admixtures=[AdmixtureRow(name=item.name, dose_percent=item.dose_percent) for item in admixtures],
        )
        session.add(row)
        session.flush()
        return mix_record(row)


def list_mixes(log: Log) -> tuple[Mix, ...]:
    """List all mixes, by name."""
    with log.reading() as session:
        rows = session.scalars(select(MixRow).options(selectinload(MixRow.admixtures)).order_by(MixRow.name)).all()
        return tuple(mix_record(row) for row in rows)


def find_mix(log: Log, name: str) -> Mix:
    """Find a mix by its name.

    Raises
    ------
    InputError
        If there is none; the message names those that there are.
    """
    with log.reading() as session:
        return mix_record(mix_row(session, name))


def add_pour(log: Log, *, mix: str, molds: Sequence[str], poured_at: datetime, cure_notes: str) -> Pour:
    """Add a pour.

    Raises
    ------
    InputError
        If the mix or a mold is unknown.
    """
    with log.writing() as session:
        row = PourRow(
            mix=mix_row(session, mix),
            poured_at=poured_at,
            poured_offset_min=offset_minutes(poured_at),
            cure_notes=cure_notes,
            created_at=datetime.now(UTC),
            molds=[mold_row(session, mold) for mold in dict.fromkeys(molds)],
        )
        session.add(row)
        session.flush()
        return _pour(row, pieces=0, withdrawn_why=None)


def list_pours(log: Log, *, limit: int | None, with_withdrawn: bool = False) -> tuple[Pour, ...]:
    """List pours, latest first."""
    latest = select(SitePourRow.pour_id).order_by(SitePourRow.poured_at.desc(), SitePourRow.pour_id.desc())
    if log.site_id is not None:
        latest = latest.where(SitePourRow.site_id == log.site_id)  # said here, so that they are read in their order
    if not with_withdrawn:
        latest = latest.where(SitePourRow.withdrawn.is_(False))
    with log.reading() as session:
        return _pours(session, latest.limit(limit))


def list_pours_into(log: Log, mold: str, *, limit: int | None) -> tuple[Pour, ...]:
    """List the pours that went into a mold, latest first, without those withdrawn."""
    latest = select(MoldPourRow.pour_id).order_by(MoldPourRow.poured_at.desc(), MoldPourRow.pour_id.desc()).limit(limit)
    with log.reading() as session:
        return _pours(session, latest.where(MoldPourRow.mold_id == mold_row(session, mold).id))


def find_pour(log: Log, pour_id: int) -> Pour:
    """Find a pour by its number.

    Raises
    ------
    InputError
        If there is none.
    """
    with log.reading() as session:
        row = pour_row(session, pour_id)
        pieces, withdrawn = _piece_counts(session, [pour_id]), _withdrawals(session, [pour_id])
        return _pour(row, pieces=pieces.get(pour_id, 0), withdrawn_why=withdrawn.get(pour_id))


def pour_row(session: Session, pour_id: int) -> PourRow:
    """Find the row of a pour, for other parts of the log."""
    row = session.get(PourRow, pour_id)
    if row is None:
        raise InputError(f"There is no pour {pour_id} in the log. `inspector pour list` shows those that there are.")
    return row


def mix_row(session: Session, name: str) -> MixRow:
    """Find the row of a mix, for other parts of the log.

    Raises
    ------
    InputError
        If there is none of that name.
    """
    row = session.scalar(select(MixRow).where(MixRow.name == name))
    if row is None:
        known = list(session.scalars(select(MixRow.name).order_by(MixRow.name)))
        raise InputError(
            f"There is no mix {name} in the log. "
            + (f"It knows: {', '.join(known)}." if known else "Add one with `inspector mix add`.")
        )
    return row


def mix_record(row: MixRow) -> Mix:
    """Turn a row into what the log hands out."""
    return Mix(
        id=row.id,
        name=row.name,
        cement_class=next(name for name in CEMENT_CLASSES if name == row.cement_class),
        water_cement_ratio=row.water_cement_ratio,
        aggregate=row.aggregate,
        admixtures=tuple(Admixture(name=item.name, dose_percent=item.dose_percent) for item in row.admixtures),
        fibres=row.fibres,
    )


def _pours(session: Session, numbers: Select[int]) -> tuple[Pour, ...]:
    """Read pours in the order in which a query names them."""
    query = select(PourRow).options(joinedload(PourRow.mix), selectinload(PourRow.molds))
    pours: list[Pour] = []
    for portion in in_portions(session.scalars(numbers).all(), _PORTION):
        rows = {row.id: row for row in session.scalars(query.where(PourRow.id.in_(portion)))}
        pieces, withdrawn = _piece_counts(session, portion), _withdrawals(session, portion)
        pours += [_pour(rows[id_], pieces=pieces.get(id_, 0), withdrawn_why=withdrawn.get(id_)) for id_ in portion]
    return tuple(pours)


def _piece_counts(session: Session, pour_ids: list[int]) -> dict[int, int]:
    query = (
        select(PourRow.id, func.count())
        .join(PieceRow, PieceRow.pour_id == PourRow.id)
        .where(PourRow.id.in_(pour_ids))
        .group_by(PourRow.id)
    )
    return dict(session.execute(query).all())


def _withdrawals(session: Session, pour_ids: list[int]) -> dict[int, str]:
    query = select(PourWithdrawalRow.pour_id, PourWithdrawalRow.why).where(PourWithdrawalRow.pour_id.in_(pour_ids))
    return dict(session.execute(query).all())


def _pour(row: PourRow, *, pieces: int, withdrawn_why: str | None) -> Pour:
    return Pour(
        id=row.id,
        mix=None if row.mix is None else row.mix.name,
        poured_at=with_offset(row.poured_at, row.poured_offset_min),
        molds=tuple(mold.name for mold in row.molds),
        cure_notes=row.cure_notes,
        pieces=pieces,
        withdrawn_why=withdrawn_why,
    )
