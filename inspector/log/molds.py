"""Molds in the log, with their views, references and features."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session, joinedload, selectinload

from inspector.errors import InputError
from inspector.log.opening import Log
from inspector.log.photo_rows import NewPhoto, photo_row
from inspector.log.records import Feature, Mold, MoldReference, Points
from inspector.log.reference_tables import ReferenceOutlineRow, ReferenceUseRow, latest_outlines, latest_uses
from inspector.log.release_agents import release_agents_by_mold
from inspector.log.tables import FeatureRow, InspectionRow, MoldRow, PhotoRow, PieceRow, ReferenceRow, ViewRow

__all__ = [
    "NewReference",
    "add_feature",
    "add_mold",
    "add_reference",
    "add_view",
    "confirm_reference",
    "count_reference_uses",
    "discard_reference",
    "find_mold",
    "find_mold_title",
    "find_reference",
    "list_mold_titles",
    "list_molds",
    "list_references",
    "mold_row",
    "remove_feature",
    "set_reference_outline",
    "set_reference_use",
]


@dataclass(frozen=True, slots=True)
class NewReference:
    """What was segmented on a photo that is to become a reference."""

    photo: NewPhoto
    outline_xy: Points
    px_per_mm: float | None


def add_mold(log: Log, name: str, *, title: str, material: str, release_agent: str, views: Iterable[str]) -> Mold:
    """Add a mold with its views.

    Raises
    ------
    InputError
        If there is a mold of that name.
    """
    now = datetime.now(UTC)
    with log.writing() as session:
        if session.scalar(select(MoldRow.id).where(MoldRow.name == name)) is not None:
            raise InputError(f"There is a mold {name} already. Choose another name, or add references to it.")
        session.add(
            MoldRow(
                name=name,
                title=title,
                material=material,
                release_agent=release_agent,
                created_at=now,
                views=[ViewRow(name=view) for view in dict.fromkeys(views)],
            )
        )
    return find_mold(log, name)


def add_view(log: Log, *, mold: str, view: str) -> None:
    """Add a view to a mold; nothing happens if it is there."""
    with log.writing() as session:
        row = mold_row(session, mold)
        if all(existing.name != view for existing in row.views):
            row.views.append(ViewRow(name=view))


def list_molds(log: Log) -> tuple[Mold, ...]:
    """List all molds, by name."""
    with log.reading() as session:
        return _molds(session)


def list_mold_titles(log: Log) -> dict[str, str]:
    """List what molds are called, by name."""
    with log.reading() as session:
        return dict(session.execute(select(MoldRow.name, MoldRow.title).order_by(MoldRow.name)).all())


def find_mold_title(log: Log, name: str) -> str:
    """Find what a mold is called, or that there is none, which takes a fifth of what `find_mold` takes.

    Raises
    ------
    InputError
        If there is none; the message names those that there are.
    """
    with log.reading() as session:
        title = session.scalar(select(MoldRow.title).where(MoldRow.name == name))
        if title is None:
            raise _unknown_mold(session, name)
        return title


def find_mold(log: Log, name: str) -> Mold:
    """Find a mold by its name.

    Raises
    ------
    InputError
        If there is none; the message names those that there are.
    """
    with log.reading() as session:
        if found := _molds(session, only=name):
            return found[0]
        raise _unknown_mold(session, name)


def add_reference(log: Log, reference: NewReference, *, mold: str, view: str) -> tuple[MoldReference, bool]:
    """Add a photo as a reference that waits for a person's yes.

    Returns
    -------
    reference : MoldReference
        The reference; the one that was there if the same photo is one of this view already.
    added : bool
        False if it was there.
    """
    now = datetime.now(UTC)
    with log.writing() as session:
        mold_ = mold_row(session, mold)
        view_ = next(row for row in mold_.views if row.name == view)
        photo = photo_row(session, reference.photo, now=now)
        session.flush()
        for row in view_.references:
            if row.photo_id == photo.id:
                return _references(session, [row])[0], False
        taken = {row.name for other in mold_.views for row in other.references}
        row = ReferenceRow(
            view=view_,
            photo=photo,
            name=_free_name(reference.photo.name, taken),
            outline_xy=[list(point) for point in reference.outline_xy],
            px_per_mm=reference.px_per_mm,
            confirmed_at=None,
            created_at=now,
        )
        session.add(row)
        session.flush()
        return _references(session, [row])[0], True


def confirm_reference(log: Log, reference_id: int) -> MoldReference:
    """Note that a person said yes to a reference."""
    with log.writing() as session:
        row = _reference_row(session, reference_id)
        if row.confirmed_at is None:
            row.confirmed_at = datetime.now(UTC)
        return _references(session, [row])[0]


def discard_reference(log: Log, reference_id: int) -> None:
    """Remove a reference that nobody said yes to; its photo is kept.

    Raises
    ------
    InputError
        If the reference is in use.
    """
    with log.writing() as session:
        row = _reference_row(session, reference_id)
        if row.confirmed_at is not None:
            raise InputError(
                f"Reference {row.name} of mold {row.view.mold.name} is in use: somebody said yes to it. "
                "Only references that wait for a yes can be discarded."
            )
        for outline in session.scalars(
            select(ReferenceOutlineRow).where(ReferenceOutlineRow.reference_id == reference_id)
        ):
            session.delete(outline)
        session.flush()
        session.delete(row)


def find_reference(log: Log, reference_id: int) -> MoldReference:
    """Find a reference by its number."""
    with log.reading() as session:
        return _references(session, [_reference_row(session, reference_id)])[0]


def list_references(log: Log, mold: str) -> tuple[MoldReference, ...]:
    """List all references of a mold, in the order they were added."""
    with log.reading() as session:
        rows = session.scalars(
            select(ReferenceRow)
            .join(ReferenceRow.view)
            .join(ViewRow.mold)
            .where(MoldRow.name == mold)
            .options(selectinload(ReferenceRow.features), joinedload(ReferenceRow.view).joinedload(ViewRow.mold))
            .order_by(ReferenceRow.id)
        ).all()
        if not rows:
            mold_row(session, mold)  # there is one
        return _references(session, rows)


def set_reference_use(log: Log, reference_id: int, *, in_use: bool, said_by: str, why: str) -> None:
    """Use a reference no more, or again; it stays on record with who said so.

    Raises
    ------
    InputError
        If there is none, or nobody said yes to it yet.
    """
    with log.writing() as session:
        row = _reference_row(session, reference_id)
        if row.confirmed_at is None:
            raise InputError(f"Reference {row.name} waits for a yes. Say yes or no to it first.")
        session.add(
            ReferenceUseRow(
                reference_id=reference_id, in_use=in_use, said_by=said_by, why=why, created_at=datetime.now(UTC)
            )
        )


def set_reference_outline(log: Log, reference_id: int, outline_xy: Points | None, *, said_by: str) -> None:
    """Say where the piece is on a reference photo; None takes the outline again that was found.

    Raises
    ------
    InputError
        If there is no such reference.
    """
    with log.writing() as session:
        _reference_row(session, reference_id)
        session.add(
            ReferenceOutlineRow(
                reference_id=reference_id,
                outline_xy=None if outline_xy is None else [list(point) for point in outline_xy],
                said_by=said_by,
                created_at=datetime.now(UTC),
            )
        )


def count_reference_uses(log: Log, mold: str) -> dict[str, int]:
    """Count by the name of a reference how many photos of a mold's pieces were laid against it."""
    query = (
        select(InspectionRow.reference_name, func.count(InspectionRow.photo_id.distinct()))
        .join(PhotoRow, PhotoRow.id == InspectionRow.photo_id)
        .join(PieceRow, PieceRow.id == PhotoRow.piece_id)
        .join(MoldRow, MoldRow.id == PieceRow.mold_id)
        .where(MoldRow.name == mold, InspectionRow.reference_name.is_not(None))
        .group_by(InspectionRow.reference_name)
    )
    with log.reading() as session:
        return {name: count for name, count in session.execute(query) if name is not None}


def add_feature(log: Log, name: str, *, reference_id: int, polygon_xy: Points) -> Feature:
    """Name a region of a view; a feature of that name is moved."""
    polygon = [list(point) for point in polygon_xy]
    with log.writing() as session:
        reference = _reference_row(session, reference_id)
        row = session.scalar(select(FeatureRow).where(FeatureRow.view_id == reference.view_id, FeatureRow.name == name))
        if row is None:
            row = FeatureRow(view=reference.view, name=name)
            session.add(row)
        row.reference = reference
        row.polygon_xy = polygon
        session.flush()
        return _feature(row)


def remove_feature(log: Log, name: str, *, reference_id: int) -> None:
    """Remove a feature from the reference that it is drawn on; findings that name it keep the name.

    Raises
    ------
    InputError
        If none of that name is drawn on it.
    """
    with log.writing() as session:
        reference = _reference_row(session, reference_id)
        row = session.scalar(select(FeatureRow).where(FeatureRow.reference_id == reference_id, FeatureRow.name == name))
        if row is None:
            raise InputError(f"Reference {reference.name} has no feature {name!r}. Open the page anew.")
        session.delete(row)


def mold_row(session: Session, name: str) -> MoldRow:
    """Find the row of a mold, for other parts of the log.

    Raises
    ------
    InputError
        If there is none of that name.
    """
    row = session.scalar(select(MoldRow).where(MoldRow.name == name))
    if row is None:
        raise _unknown_mold(session, name)
    return row


def _molds(session: Session, *, only: str | None = None) -> tuple[Mold, ...]:
    """Read molds by their columns alone: most pages name all of them, and rows as objects take five times as long."""
    query = select(MoldRow.id, MoldRow.name, MoldRow.title, MoldRow.material).order_by(MoldRow.name)
    molds = session.execute(query if only is None else query.where(MoldRow.name == only)).all()
    if not molds:
        return ()
    only_id = None if only is None else molds[0].id
    views = select(ViewRow.mold_id, ViewRow.name).order_by(ViewRow.id)
    views_of = defaultdict(list)
    for mold_id, view in session.execute(views if only_id is None else views.where(ViewRow.mold_id == only_id)):
        views_of[mold_id].append(view)
    references = _reference_counts(session, only_id=only_id)
    agents = release_agents_by_mold(session, only_id=only_id)
    return tuple(
        Mold(
            id=mold_id,
            name=name,
            title=title,
            material=material,
            release_agent=agents[name].latest,
            views=tuple(views_of[mold_id]),
            references=references.get((mold_id, True), 0),
            references_to_check=references.get((mold_id, False), 0),
        )
        for mold_id, name, title, material in molds
    )


def _unknown_mold(session: Session, name: str) -> InputError:
    known = session.scalars(select(MoldRow.name).order_by(MoldRow.name)).all()
    if not known:
        return InputError(f"There is no mold {name}: the log has no molds yet. Add one with `inspector mold add`.")
    return InputError(f"There is no mold {name} in the log. It knows: {', '.join(known)}.")


def _reference_row(session: Session, reference_id: int) -> ReferenceRow:
    row = session.get(ReferenceRow, reference_id)
    if row is None:
        raise InputError(f"There is no reference {reference_id} in the log.")
    return row


def _reference_counts(session: Session, *, only_id: int | None) -> dict[tuple[int, bool], int]:
    """Count references by mold and whether a person said yes to them; of those, the ones in use."""
    said_yes = ReferenceRow.confirmed_at.is_not(None)
    retired = select(ReferenceUseRow.reference_id).where(
        ReferenceUseRow.id.in_(latest_uses()), ReferenceUseRow.in_use.is_(False)
    )
    query = (
        select(ViewRow.mold_id, said_yes, func.count())
        .join(ReferenceRow, ReferenceRow.view_id == ViewRow.id)
        .where(~said_yes | ReferenceRow.id.not_in(retired))
        .group_by(ViewRow.mold_id, said_yes)
    )
    if only_id is not None:
        query = query.where(ViewRow.mold_id == only_id)
    return {(mold_id, bool(confirmed)): count for mold_id, confirmed, count in session.execute(query)}


def _free_name(name: str, taken: set[str]) -> str:
    if name not in taken:
        return name
    stem, dot, suffix = name.rpartition(".")
    if not dot:
        stem, suffix = name, ""
    number = 2
    while (candidate := f"{stem} ({number}){dot}{suffix}") in taken:
        number += 1
    return candidate


def _references(session: Session, rows: Sequence[ReferenceRow]) -> tuple[MoldReference, ...]:
    """References as they are held now, with what people said about them."""
    ids = [row.id for row in rows]
    retired = dict(
        session.execute(
            select(ReferenceUseRow.reference_id, ReferenceUseRow.why).where(
                ReferenceUseRow.reference_id.in_(ids),
                ReferenceUseRow.id.in_(latest_uses()),
                ReferenceUseRow.in_use.is_(False),
            )
        ).all()
    )
    outlines = session.scalars(
        select(ReferenceOutlineRow).where(
            ReferenceOutlineRow.reference_id.in_(ids),
            ReferenceOutlineRow.id.in_(latest_outlines()),
            ReferenceOutlineRow.outline_xy.is_not(None),
        )
    )
    corrected = {row.reference_id: row for row in outlines}
    return tuple(_reference(row, retired_why=retired.get(row.id), corrected=corrected.get(row.id)) for row in rows)


def _reference(row: ReferenceRow, *, retired_why: str | None, corrected: ReferenceOutlineRow | None) -> MoldReference:
    outline_xy = row.outline_xy if corrected is None or corrected.outline_xy is None else corrected.outline_xy
    return MoldReference(
        id=row.id,
        name=row.name,
        mold=row.view.mold.name,
        view=row.view.name,
        photo_id=row.photo_id,
        outline_xy=tuple((x, y) for x, y in outline_xy),
        px_per_mm=row.px_per_mm,
        confirmed=row.confirmed_at is not None,
        features=tuple(_feature(feature) for feature in row.features),
        retired_why=retired_why,
        outlined_by=None if corrected is None else corrected.said_by,
    )


def _feature(row: FeatureRow) -> Feature:
    return Feature(
        name=row.name,
        view=row.view.name,
        reference_id=row.reference_id,
        polygon_xy=tuple((x, y) for x, y in row.polygon_xy),
    )
