"""Where marks lie on photos that were laid against one reference, for a map of where pieces break."""

from collections.abc import Collection
from dataclasses import dataclass

from sqlalchemy import func, select

from inspector.log.molds import mold_row
from inspector.log.opening import Log
from inspector.log.records import Points
from inspector.log.standing import counts_on_its_photo, is_latest_review
from inspector.log.tables import FindingRow, InspectionRow, PhotoRow, PieceRow, ReviewRow

__all__ = ["LaidMark", "list_laid_marks"]


@dataclass(frozen=True, slots=True)
class LaidMark:
    """A mark, and how its photo lies on the reference."""

    polygon_xy: Points
    photo_from_reference: tuple[tuple[float, ...], ...]
    """(3, 3) homography, px to px."""


def list_laid_marks(
    log: Log, *, mold: str, reference: str, kinds: Collection[str], piece_ids: Collection[int] | None = None
) -> tuple[LaidMark, ...]:
    """List the marks of some kinds that nobody dismissed, as reviewers left them.

    Parameters
    ----------
    log : Log
    mold, reference : str
        Names of both; only photos that were laid against that reference count.
    kinds : collection of str
    piece_ids : collection of int, optional
        Only these pieces; by default all of the mold.
    """
    query = (
        select(FindingRow.polygon_xy, ReviewRow.outline_xy, InspectionRow.photo_from_reference)
        .join(InspectionRow, InspectionRow.id == FindingRow.inspection_id)
        .join(PhotoRow, PhotoRow.id == InspectionRow.photo_id)
        .join(PieceRow, PieceRow.id == PhotoRow.piece_id)
        .outerjoin(ReviewRow, is_latest_review())
        .where(
            InspectionRow.reference_name == reference,
            InspectionRow.photo_from_reference.is_not(None),
            counts_on_its_photo(),
            func.coalesce(ReviewRow.new_kind, FindingRow.kind).in_(kinds),
            func.coalesce(ReviewRow.verdict, "") != "dismissed",
        )
        .order_by(FindingRow.id)
    )
    with log.reading() as session:
        query = query.where(PieceRow.mold_id == mold_row(session, mold).id)
        if piece_ids is not None:
            query = query.where(PieceRow.id.in_(piece_ids))
        return tuple(
            LaidMark(
                polygon_xy=tuple((x, y) for x, y in outline_xy or polygon_xy),
                photo_from_reference=tuple(tuple(line) for line in matrix),
            )
            for polygon_xy, outline_xy, matrix in session.execute(query)
            if matrix is not None
        )
