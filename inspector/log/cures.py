"""How pours and pieces cured: wet cure written down, and all that is known read at once for many pours."""

from collections.abc import Collection, Iterable
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import ScalarSelect, Select, func, select
from sqlalchemy.orm import InstrumentedAttribute, Session

from inspector.errors import InputError
from inspector.log.cure_records import MoldPour, NearestPours, PieceDemolding, PourCure
from inspector.log.curing_tables import TemperatureRecordRow, WetCureRow
from inspector.log.molds import mold_row
from inspector.log.opening import Log
from inspector.log.pours import pour_row
from inspector.log.records import CEMENT_CLASSES
from inspector.log.rollup_tables import MoldPourRow
from inspector.log.tables import Base, MixRow, MoldRow, PieceRow, PourMoldRow, PourRow, with_offset
from inspector.log.temperatures import temperatures_in_force

__all__ = [
    "add_wet_cure",
    "find_piece_wet_until_h",
    "find_pour_cure",
    "has_more_pours",
    "list_mold_pours",
    "list_piece_demoldings",
    "list_pour_cures",
]


def add_wet_cure(log: Log, *, pour_id: int | None, piece_id: int | None, until_h: float) -> None:
    """Write down until which age a pour, or one piece, was kept wet; the latest word counts.

    Raises
    ------
    InputError
        If there is no such pour or piece.
    """
    with log.writing() as session:
        if pour_id is not None:
            pour_row(session, pour_id)
        if piece_id is not None and session.get(PieceRow, piece_id) is None:
            raise InputError(f"There is no piece {piece_id} in the log.")
        session.add(WetCureRow(pour_id=pour_id, piece_id=piece_id, until_h=until_h, created_at=datetime.now(UTC)))


def find_pour_cure(log: Log, pour_id: int) -> PourCure:
    """Find all that is known about how a pour cured.

    Raises
    ------
    InputError
        If there is no such pour.
    """
    with log.reading() as session:
        pour_row(session, pour_id)
        return _pour_cures(session, [pour_id])[0]


def list_pour_cures(
    log: Log, *, mold: str | None = None, pour_ids: Collection[int] | None = None
) -> tuple[PourCure, ...]:
    """List how all pours cured, those into one mold, or those asked for, in the order they were poured."""
    with log.reading() as session:
        if mold is None:
            return _pour_cures(session, pour_ids)
        into_mold = select(PourMoldRow.pour_id).where(PourMoldRow.mold_id == mold_row(session, mold).id)
        return _pour_cures(session, into_mold)


def find_piece_wet_until_h(log: Log, piece_id: int) -> float | None:
    """Tell until which age one piece was kept wet, where somebody said so of the piece itself. [h]"""
    with log.reading() as session:
        return session.scalar(
            select(WetCureRow.until_h).where(WetCureRow.piece_id == piece_id).order_by(WetCureRow.id.desc()).limit(1)
        )


def list_mold_pours(log: Log, mold: str, pours: NearestPours) -> tuple[MoldPour, ...]:
    """List pours that went into a mold, but for those withdrawn, in the order they were poured."""
    wet = select(WetCureRow.until_h).where(WetCureRow.pour_id == MoldPourRow.pour_id)
    query = (
        select(MoldPourRow.poured_at, PourRow.poured_offset_min, MixRow.name, _latest(wet, WetCureRow.id, MoldPourRow))
        .join(PourRow, PourRow.id == MoldPourRow.pour_id)
        .outerjoin(MixRow, MixRow.id == PourRow.mix_id)
        .order_by(MoldPourRow.poured_at, MoldPourRow.pour_id)
    )
    with log.reading() as session:
        mold_id = mold_row(session, mold).id
        near = MoldPourRow.pour_id.in_(_nearest_to(mold_id, pours))
        return tuple(
            MoldPour(with_offset(poured_at, offset_min), mix, wet_until_h)
            for poured_at, offset_min, mix, wet_until_h in session.execute(
                query.where(MoldPourRow.mold_id == mold_id, near)
            )
        )


def has_more_pours(log: Log, mold: str, pours: NearestPours) -> bool:
    """Whether more pours went into a mold, before or from that time on, than those nearest to it."""
    with log.reading() as session:
        further = _nearest_to(mold_row(session, mold).id, pours).offset(pours.most).limit(1)
        return session.scalar(further) is not None


def list_piece_demoldings(
    log: Log, *, mold: str | None = None, since: datetime | None = None, pours: NearestPours | None = None
) -> tuple[PieceDemolding, ...]:
    """List when pieces left their molds, where pour and time are known, in order of time.

    Parameters
    ----------
    log : Log
    mold : str, optional
        Only its pieces.
    since : datetime, optional
        Only those that left it from then on.
    pours : NearestPours, optional
        Only pieces of these pours, of whichever mold it is.
    """
    in_force = (TemperatureRecordRow.pour_id == PieceRow.pour_id) & TemperatureRecordRow.withdrawn_at.is_(None)
    constant = select(TemperatureRecordRow.constant_degc).where(
        in_force, TemperatureRecordRow.constant_degc.is_not(None)
    )
    readings = select(TemperatureRecordRow.id).where(in_force, TemperatureRecordRow.constant_degc.is_(None))
    own_wet = select(WetCureRow.until_h).where(WetCureRow.piece_id == PieceRow.id)
    wet = select(WetCureRow.until_h).where(WetCureRow.pour_id == PieceRow.pour_id)
    # One statement with a look for each piece: a mold has thousands, and what is known of most is a row or two.
    query = (
        select(
            PieceRow.id,
            MoldRow.name,
            PieceRow.pour_id,
            MixRow.name,
            PourRow.poured_at,
            PieceRow.demolded_at,
            PieceRow.demolded_offset_min,
            _latest(constant, TemperatureRecordRow.id, PieceRow),
            _latest(readings, TemperatureRecordRow.id, PieceRow),
            func.coalesce(_latest(own_wet, WetCureRow.id, PieceRow), _latest(wet, WetCureRow.id, PieceRow)),
        )
        .join(MoldRow, MoldRow.id == PieceRow.mold_id)
        .join(PourRow, PourRow.id == PieceRow.pour_id)
        .outerjoin(MixRow, MixRow.id == PourRow.mix_id)
        .where(PieceRow.demolded_at.is_not(None))
    )
    if since is not None:
        query = query.where(PieceRow.demolded_at >= since)
    with log.reading() as session:
        if mold is not None:
            mold_id = mold_row(session, mold).id
            query = query.where(PieceRow.mold_id == mold_id)
            if pours is not None:
                query = query.where(PieceRow.pour_id.in_(_nearest_to(mold_id, pours)))
        demoldings = [
            PieceDemolding(
                piece_id, name, pour_id, mix, poured_at, with_offset(demolded_at, offset_min), constant_degc,
                record_id is not None, wet_until_h,
            )
            for piece_id, name, pour_id, mix, poured_at, demolded_at, offset_min, constant_degc, record_id, wet_until_h
            in session.execute(query)
            if pour_id is not None and demolded_at is not None
        ]  # fmt: skip
        # Put in order here: told to, SQLite may read all pieces in that order and leave out those of other molds.
        return tuple(sorted(demoldings, key=lambda item: (item.demolded_at, item.piece_id)))


def _nearest_to(mold_id: int, pours: NearestPours) -> Select[int]:
    query = select(MoldPourRow.pour_id).where(MoldPourRow.mold_id == mold_id).limit(pours.most)
    if pours.before:
        return query.where(MoldPourRow.poured_at < pours.to).order_by(MoldPourRow.poured_at.desc())
    return query.where(MoldPourRow.poured_at >= pours.to).order_by(MoldPourRow.poured_at)


def _latest(query: Select[Any], number: InstrumentedAttribute[int], of: type[Base]) -> ScalarSelect[Any]:
    """Give what the row added last says, of those that belong to a row of another table."""
    return query.order_by(number.desc()).limit(1).correlate(of).scalar_subquery()


def _pour_cures(session: Session, pour_ids: Collection[int] | Select[int] | None) -> tuple[PourCure, ...]:
    pours = (
        select(PourRow.id, PourRow.poured_at, PourRow.poured_offset_min, MixRow.name, MixRow.cement_class)
        .outerjoin(MixRow, MixRow.id == PourRow.mix_id)
        .order_by(PourRow.poured_at, PourRow.id)
    )
    wet = select(WetCureRow.pour_id, WetCureRow.until_h).where(WetCureRow.pour_id.is_not(None)).order_by(WetCureRow.id)
    if pour_ids is not None:
        pours = pours.where(PourRow.id.in_(pour_ids))
        wet = wet.where(WetCureRow.pour_id.in_(pour_ids))
    wet_until_h = _wet_until_h(session.execute(wet))
    constants, readings = temperatures_in_force(session, pour_ids)
    return tuple(
        PourCure(
            pour_id=pour_id,
            poured_at=with_offset(poured_at, offset_min),
            mix=mix,
            cement_class=next((name for name in CEMENT_CLASSES if name == cement_class), None),
            constant_degc=constants.get(pour_id),
            readings=readings.get(pour_id, ()),
            wet_until_h=wet_until_h.get(pour_id),
        )
        for pour_id, poured_at, offset_min, mix, cement_class in session.execute(pours)
    )


def _wet_until_h(rows: Iterable[tuple[int | None, float]]) -> dict[int, float]:
    """Keep the latest word on each pour or piece."""
    return {of: until_h for of, until_h in rows if of is not None}
