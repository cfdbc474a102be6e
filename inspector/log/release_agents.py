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
    changes: dict[int, dict[datetime, str]] = defaultdict(dict)
    query = select(ReleaseAgentRow.mold_id, ReleaseAgentRow.from_at, ReleaseAgentRow.release_agent)
    molds = select(MoldRow.id, MoldRow.name, MoldRow.release_agent)
    if only_id is not None:
        query, molds = query.where(ReleaseAgentRow.mold_id == only_id), molds.where(MoldRow.id == only_id)
    for mold_id, from_at, agent in session.execute(query.order_by(ReleaseAgentRow.from_at, ReleaseAgentRow.id)):
        changes[mold_id][from_at] = agent
    return {
        name: ReleaseAgents(first=first, changes=tuple(changes.get(mold_id, {}).items()))
        for mold_id, name, first in session.execute(molds)
    }
