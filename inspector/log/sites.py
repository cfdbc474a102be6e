"""Sites in the log."""

from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from inspector.errors import InputError
from inspector.log.access_tables import SiteGrantRow
from inspector.log.opening import Log
from inspector.log.site_tables import SiteRow

__all__ = ["Site", "add_grant", "add_site", "list_grants", "list_sites", "remove_grant", "rename_site"]


@dataclass(frozen=True, slots=True)
class Site:
    """One of the halls or workshops that share a log."""

    id: int
    name: str


def add_site(log: Log, name: str) -> Site:
    """Add a site.

    Raises
    ------
    InputError
        If there is one of that name.
    """
    with log.writing() as session:
        _check_free(session, name)
        row = SiteRow(name=name, created_at=datetime.now(UTC))
        session.add(row)
        session.flush()
        return Site(row.id, row.name)


def list_sites(log: Log) -> tuple[Site, ...]:
    """List all sites in the order in which they were added; there is always one."""
    with log.reading() as session:
        return tuple(
            Site(id_, name) for id_, name in session.execute(select(SiteRow.id, SiteRow.name).order_by(SiteRow.id))
        )


def rename_site(log: Log, site_id: int, name: str) -> Site:
    """Give a site another name.

    Raises
    ------
    InputError
        If there is one of that name.
    """
    with log.writing() as session:
        row = session.get_one(SiteRow, site_id)
        if row.name != name:
            _check_free(session, name)
            row.name = name
        return Site(row.id, name)


def add_grant(log: Log, site: Site, *, sees: Site) -> None:
    """Let the people of a site look at another one; nothing happens if they may."""
    with log.writing() as session:
        if session.scalar(_grant(site, sees)) is None:
            session.add(SiteGrantRow(people_of_id=site.id, sees_id=sees.id, created_at=datetime.now(UTC)))


def remove_grant(log: Log, site: Site, *, sees: Site) -> None:
    """Let the people of a site look at another one no more, but for those with a role of their own there.

    Raises
    ------
    InputError
        If they were not let look.
    """
    with log.writing() as session:
        row = session.scalar(_grant(site, sees))
        if row is None:
            raise InputError(f"The people of {site.name} were not let look at {sees.name}.")
        session.delete(row)


def list_grants(log: Log) -> tuple[tuple[int, int], ...]:
    """List whose people may look where: the site of the people, then the one that they see."""
    with log.reading() as session:
        query = select(SiteGrantRow.people_of_id, SiteGrantRow.sees_id).order_by(SiteGrantRow.id)
        return tuple((people_of, sees) for people_of, sees in session.execute(query))


def _grant(site: Site, sees: Site) -> Select[SiteGrantRow]:
    return select(SiteGrantRow).where(SiteGrantRow.people_of_id == site.id, SiteGrantRow.sees_id == sees.id)


def _check_free(session: Session, name: str) -> None:
    if session.scalar(select(SiteRow.id).where(SiteRow.name == name)) is not None:
        raise InputError(f"There is a site {name} already. Choose another name.")
