"""Designs that sites share: which they are, which molds are of one, and what those tell about each other."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import delete, insert, select
from sqlalchemy.orm import Session, aliased

from inspector.errors import InputError
from inspector.log.access_tables import SiteGrantRow
from inspector.log.design_tables import DesignRow, DesignSiteRow, MoldEstimateRow
from inspector.log.molds import mold_row
from inspector.log.opening import Log
from inspector.log.site_tables import SiteRow
from inspector.log.sites import Site
from inspector.log.tables import MoldRow

__all__ = [
    "Design",
    "DesignChoices",
    "SisterMold",
    "find_design_choices",
    "keep_mold_estimates",
    "list_designs",
    "list_molds_of_designs",
    "list_sister_molds",
    "set_design",
    "share_design",
    "share_design_no_more",
]


@dataclass(frozen=True, slots=True)
class Design:
    """A design, and the sites that share it."""

    name: str
    sites: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DesignChoices:
    """The designs that a site shares, and the one that a mold of it is of."""

    names: tuple[str, ...]
    of_mold: str | None


@dataclass(frozen=True, slots=True)
class SisterMold:
    """What is kept of another mold of a mold's design."""

    mold: str
    """The mold that it is a sister of."""
    said: str
    """What was kept of the other."""
    here: bool
    """It is of the same site."""
    site: str | None
    """Name of its site, if the people of this one may look there."""


def share_design(log: Log, name: str, sites: Sequence[Site]) -> Design:
    """Have sites share a design, which is added where it is new; others that share it go on doing so."""
    now = datetime.now(UTC)
    with log.writing() as session:
        design = session.scalar(select(DesignRow).where(DesignRow.name == name))
        if design is None:
            design = DesignRow(name=name, created_at=now)
            session.add(design)
            session.flush()
        sharing = set(session.scalars(select(DesignSiteRow.site_id).where(DesignSiteRow.design_id == design.id)))
        for site in sites:
            if site.id not in sharing:
                session.add(DesignSiteRow(design_id=design.id, site_id=site.id, created_at=now))
                session.flush()
        return Design(name, _sharing(session, design.id))


def share_design_no_more(log: Log, name: str, sites: Sequence[Site]) -> Design:
    """Have sites share a design no more; their molds stay what they are, and are learnt by themselves again.

    Raises
    ------
    InputError
        If there is no such design, or a site does not share it.
    """
    with log.writing() as session:
        design = session.scalar(select(DesignRow).where(DesignRow.name == name))
        if design is None:
            names = list(session.scalars(select(DesignRow.name).order_by(DesignRow.name)))
            raise InputError(f"There is no design {name}. There are: {', '.join(names) or 'none'}.")
        for site in sites:
            row = session.scalar(
                select(DesignSiteRow).where(DesignSiteRow.design_id == design.id, DesignSiteRow.site_id == site.id)
            )
            if row is None:
                raise InputError(f"{site.name} does not share the design {name}.")
            session.delete(row)
        session.flush()
        return Design(name, _sharing(session, design.id))


def list_designs(log: Log) -> tuple[Design, ...]:
    """List all designs by name, each with the sites that share it."""
    query = (
        select(DesignRow.name, SiteRow.name)
        .outerjoin(DesignSiteRow, DesignSiteRow.design_id == DesignRow.id)
        .outerjoin(SiteRow, SiteRow.id == DesignSiteRow.site_id)
        .order_by(DesignRow.name, SiteRow.id)
    )
    sites: dict[str, tuple[str, ...]] = {}
    with log.reading() as session:
        for name, site in session.execute(query):
            sites[name] = (*sites.get(name, ()), *([] if site is None else [site]))
    return tuple(Design(name, sharing) for name, sharing in sites.items())


def find_design_choices(log: Log, mold: str) -> DesignChoices:
    """Find the designs that a mold may be said to be of, by name, and the one that it is of."""
    with log.reading() as session:
        of_mold = select(MoldRow.design_id).where(MoldRow.name == mold).scalar_subquery()
        query = select(DesignRow.name, DesignRow.id == of_mold).order_by(DesignRow.name)
        found = session.execute(query).all()
    return DesignChoices(
        names=tuple(name for name, _ in found), of_mold=next((name for name, is_it in found if is_it), None)
    )


def set_design(log: Log, mold: str, design: str | None) -> None:
    """Say which design a mold is of; None: none that is shared.

    Raises
    ------
    InputError
        If there is no such mold, or its site shares no such design.
    """
    with log.writing() as session:
        row = mold_row(session, mold)
        if design is None:
            row.design_id = None
            return
        found = session.scalar(select(DesignRow.id).where(DesignRow.name == design))
        if found is None:
            names = list(session.scalars(select(DesignRow.name).order_by(DesignRow.name)))
            raise InputError(
                f"No design {design} is shared here. Shared are: {', '.join(names) or 'none'}. Who runs the program "
                "at its machine says which sites share one."
            )
        row.design_id = found


def list_molds_of_designs(log: Log) -> tuple[str, ...]:
    """List the molds that are of a design, by name."""
    with log.reading() as session:
        return tuple(session.scalars(select(MoldRow.name).where(MoldRow.design_id.is_not(None)).order_by(MoldRow.name)))


def keep_mold_estimates(log: Log, said: Mapping[str, str]) -> None:
    """Keep what the pieces of molds tell by themselves, in place of what was kept before; the same writes nothing."""
    kept = select(MoldRow.name, MoldEstimateRow.said).join(MoldRow, MoldRow.id == MoldEstimateRow.mold_id)
    with log.reading() as session:
        if dict(session.execute(kept).all()) == said:
            return
    with log.writing() as session:
        session.execute(delete(MoldEstimateRow), execution_options={"synchronize_session": False})
        numbers = dict(session.execute(select(MoldRow.name, MoldRow.id).where(MoldRow.name.in_(said))).all())
        rows = [{"mold_id": number, "said": said[name]} for name, number in numbers.items()]
        if rows:
            session.execute(insert(MoldEstimateRow), rows)


def list_sister_molds(log: Log, *, mold: str | None = None) -> tuple[SisterMold, ...]:
    """List what is kept of the other molds of the same design, at all sites that share it.

    The one look of a site beyond itself: at estimates, not at what they came from.

    Parameters
    ----------
    log : Log
        Held to a site; the whole log has no sisters.
    mold : str, optional
        Only those of this mold.
    """
    if log.site_id is None:
        return ()
    own, sister = aliased(MoldRow), aliased(MoldRow)
    shared_here, shared_there = aliased(DesignSiteRow), aliased(DesignSiteRow)
    query = (
        select(own.name, MoldEstimateRow.said, sister.site_id == own.site_id, SiteRow.name)
        .join(shared_here, (shared_here.design_id == own.design_id) & (shared_here.site_id == own.site_id))
        .join(sister, (sister.design_id == own.design_id) & (sister.id != own.id))
        .join(shared_there, (shared_there.design_id == sister.design_id) & (shared_there.site_id == sister.site_id))
        .join(MoldEstimateRow, MoldEstimateRow.mold_id == sister.id)
        .outerjoin(SiteGrantRow, (SiteGrantRow.people_of_id == own.site_id) & (SiteGrantRow.sees_id == sister.site_id))
        .outerjoin(
            SiteRow, (SiteRow.id == sister.site_id) & (SiteGrantRow.id.is_not(None) | (sister.site_id == own.site_id))
        )
        .where(own.site_id == log.site_id)
        .order_by(own.name, sister.id)
    )
    if mold is not None:
        query = query.where(own.name == mold)
    with log.whole().reading() as session:
        return tuple(SisterMold(*row) for row in session.execute(query))


def _sharing(session: Session, design_id: int) -> tuple[str, ...]:
    query = (
        select(SiteRow.name)
        .join(DesignSiteRow, DesignSiteRow.site_id == SiteRow.id)
        .where(DesignSiteRow.design_id == design_id)
        .order_by(SiteRow.id)
    )
    return tuple(session.scalars(query))
