"""Release agents of molds over time: what is put on before a pour, and from when on."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspector.log.opening import Log
from inspector.log.release_agent_tables import ReleaseAgentRow
from inspector.log.tables import MoldRow

__all__ = ["ReleaseAgents", "change_release_agent", "list_release_agents", "release_agents_by_mold"]


@dataclass(frozen=True, slots=True)
class ReleaseAgents:
    """What was put on one mold before its pours."""

    first: str
    """What it began with; empty where nobody said."""
    changes: tuple[tuple[datetime, str], ...]
    """From when on another one was used, in order of time."""

    def at(self, when: datetime) -> str:
        """Give the one that was used at a time."""
        return next((agent for from_at, agent in reversed(self.changes) if from_at <= when), self.first)

    @property
    def latest(self) -> str:
        """The one that was changed to last."""
        return self.changes[-1][1] if self.changes else self.first


def change_release_agent(log: Log, mold: str, release_agent: str, *, from_at: datetime, said_by: str) -> None:
    """Write down that another release agent is used from a time on; the mold must exist."""
    with log.writing() as session:
        mold_id = session.scalars(select(MoldRow.id).where(MoldRow.name == mold)).one()
        session.add(
            ReleaseAgentRow(
                mold_id=mold_id,
                release_agent=release_agent,
                from_at=from_at,
                said_by=said_by,
                created_at=datetime.now(UTC),
            )
        )


def list_release_agents(log: Log) -> dict[str, ReleaseAgents]:
    """Give what was put on each mold, by its name."""
    with log.reading() as session:
        return release_agents_by_mold(session)


def release_agents_by_mold(session: Session, *, only_id: int | None = None) -> dict[str, ReleaseAgents]:
    """Read what was put on each mold or one, by its name."""
    query = (
        select(MoldRow.name, MoldRow.release_agent, ReleaseAgentRow.from_at, ReleaseAgentRow.release_agent)
        .outerjoin(ReleaseAgentRow, ReleaseAgentRow.mold_id == MoldRow.id)
        .order_by(ReleaseAgentRow.from_at, ReleaseAgentRow.id)
    )
    if only_id is not None:
        query = query.where(MoldRow.id == only_id)
    first_of: dict[str, str] = {}
    changes: dict[str, dict[datetime, str]] = defaultdict(dict)
    for name, first, from_at, agent in session.execute(query):
        first_of[name] = first
        if from_at is not None and agent is not None:
            changes[name][from_at] = agent
    return {
        name: ReleaseAgents(first=first, changes=tuple(changes[name].items()) if name in changes else ())
        for name, first in first_of.items()
    }
