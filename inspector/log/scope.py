"""What a caller may see of a log that several sites share: the one place that decides it.

`Log.at` gives a log that is held to one site. Each query of its sessions is then given the condition that its rows
belong to that site, whichever tables it names and however it joins them (SQLAlchemy: "Adding global WHERE / ON
criteria"), and each row that they add is put there. So nothing that reads or writes the log has to think of sites, and
what belongs elsewhere is answered as what does not exist. While a log has one site, nothing is added to any query.

Each table is of the site that it names (`site_id`), of the site of the row that it hangs on (`_HANGS_ON`), or of no
site (`_OF_NO_SITE`); a test holds the three to the tables that there are.
"""

from typing import Any, get_args

from sqlalchemy import ColumnClause, ColumnElement, Executable, FromClause, Table, event, exists, or_, select
from sqlalchemy.orm import ORMExecuteState, Session, with_loader_criteria
from sqlalchemy.sql import visitors

from inspector.errors import InputError
from inspector.log.access_tables import (
    AccountRow,
    KnownBrowserRow,
    LinkRow,
    PasswordRow,
    SessionRow,
    SiteGrantRow,
    SiteRoleRow,
    TokenRow,
    TokenSecretRow,
    WrongGuessRow,
)
from inspector.log.answered_tables import AnsweredFindingRow
from inspector.log.awaiting_tables import AwaitingPhotoRow
from inspector.log.curing_tables import (
    BreakTestRow,
    ExpectedTemperatureRow,
    TemperatureReadingRow,
    TemperatureRecordRow,
    WetCureRow,
)
from inspector.log.design_tables import DesignRow, DesignSiteRow, MoldEstimateRow
from inspector.log.history_tables import ChangeRow
from inspector.log.learnt_tables import LearntRow, MoldOutlookRow
from inspector.log.lesson_tables import LessonUseRow
from inspector.log.piece_tables import PieceCorrectionRow
from inspector.log.pour_tables import PourCorrectionRow, PourWithdrawalRow
from inspector.log.reference_tables import ReferenceOutlineRow, ReferenceUseRow
from inspector.log.release_agent_tables import ReleaseAgentRow
from inspector.log.rollup_tables import MoldPourRow, PhotoCountRow, PieceStandingRow, SitePourRow
from inspector.log.sending_tables import SentPhotoRow
from inspector.log.site_tables import SiteRow
from inspector.log.tables import (
    AdmixtureRow,
    Base,
    DefectNoteRow,
    DispositionRow,
    FeatureRow,
    FindingRow,
    InspectionRow,
    MixRow,
    MoldRow,
    NotedDefectRow,
    PhotoRow,
    PieceNoteRow,
    PieceRow,
    PourMoldRow,
    PourRow,
    ReferenceRow,
    ReviewRow,
    ViewRow,
)
from inspector.log.unit_tables import UnitChoiceRow
from inspector.log.window_tables import MoldSettingRow, WindowChangeRow

__all__ = ["SiteScope", "put_at_site"]

_AtASite = (
    DesignSiteRow
    | ExpectedTemperatureRow
    | LearntRow
    | MixRow
    | MoldRow
    | PhotoCountRow
    | PhotoRow
    | PieceStandingRow
    | SitePourRow
    | SiteRoleRow
    | TokenRow
    | UnitChoiceRow
)
_OF_A_SITE: tuple[type[Base], ...] = get_args(_AtASite)
# By which column, of whichever row the table hangs on: of two columns one is always empty.
_HANGS_ON: dict[type[Base], dict[str, type[Base]]] = {
    AdmixtureRow: {"mix_id": MixRow},
    AnsweredFindingRow: {"finding_id": FindingRow},
    AwaitingPhotoRow: {"photo_id": PhotoRow},
    BreakTestRow: {"pour_id": PourRow, "mix_id": MixRow},
    DefectNoteRow: {"piece_id": PieceRow},
    DispositionRow: {"piece_id": PieceRow},
    FeatureRow: {"view_id": ViewRow},
    FindingRow: {"inspection_id": InspectionRow},
    InspectionRow: {"photo_id": PhotoRow},
    LessonUseRow: {"finding_id": FindingRow},
    MoldEstimateRow: {"mold_id": MoldRow},
    MoldOutlookRow: {"mold_id": MoldRow},
    MoldPourRow: {"mold_id": MoldRow},
    MoldSettingRow: {"mold_id": MoldRow},
    NotedDefectRow: {"note_id": DefectNoteRow},
    PieceCorrectionRow: {"piece_id": PieceRow},
    PieceNoteRow: {"piece_id": PieceRow},
    PieceRow: {"mold_id": MoldRow},
    PourCorrectionRow: {"pour_id": PourRow},
    PourMoldRow: {"mold_id": MoldRow},
    PourWithdrawalRow: {"pour_id": PourRow},
    ReferenceRow: {"view_id": ViewRow},
    ReferenceOutlineRow: {"reference_id": ReferenceRow},
    ReferenceUseRow: {"reference_id": ReferenceRow},
    ReleaseAgentRow: {"mold_id": MoldRow},
    ReviewRow: {"finding_id": FindingRow},
    SentPhotoRow: {"photo_id": PhotoRow},
    TemperatureReadingRow: {"record_id": TemperatureRecordRow},
    TemperatureRecordRow: {"pour_id": PourRow},
    TokenSecretRow: {"token_id": TokenRow},
    ViewRow: {"mold_id": MoldRow},
    WetCureRow: {"pour_id": PourRow, "piece_id": PieceRow},
    WindowChangeRow: {"mold_id": MoldRow},
}
# A pour hangs on the molds that it filled, which are all of one site; a design on that the site shares it.
_LINKED_BY: dict[type[Base], tuple[type[Base], str]] = {
    DesignRow: (DesignSiteRow, "design_id"),
    PourRow: (PourMoldRow, "pour_id"),
}
# Who may come in, and what happened to which row: neither is reached through a log that is held to a site.
_OF_NO_SITE: tuple[type[Base], ...] = (
    AccountRow, ChangeRow, KnownBrowserRow, LinkRow, PasswordRow, SessionRow, SiteGrantRow, SiteRow,
    WrongGuessRow,
)  # fmt: skip

# Said by the whole log, of several sites at once.
_SHARED: tuple[type[Base], ...] = (DesignRow,)

_SEVERAL = "This log keeps several sites. Say for which one this is."


class SiteScope:
    """What belongs to a site, as conditions on each table; made once for a log that is held to the site."""

    def __init__(self, site_id: int) -> None:
        self._criteria = {
            row.__tablename__: with_loader_criteria(
                row, _belongs(row, row.__table__, site_id), propagate_to_loaders=False
            )
            for row in (*_OF_A_SITE, *_HANGS_ON, *_LINKED_BY)
        }

    def hold(self, session: Session) -> None:
        """Have a session see what belongs to the site, and nothing else."""
        event.listen(session, "do_orm_execute", self._add_conditions)

    def _add_conditions(self, state: ORMExecuteState) -> None:
        if state.is_insert or state.is_relationship_load or state.is_column_load:
            return  # what hangs on a row that may be seen may be seen
        named = _named_tables(state.statement)
        if not (state.is_orm_statement and named):
            raise TypeError(f"The log is held to a site, and this names no table that it is held by: {state.statement}")
        criteria = [self._criteria[name] for name in sorted(named) if name in self._criteria]
        state.statement = state.statement.options(*criteria)


def _named_tables(statement: Executable) -> set[str]:
    """All tables that a statement names, at any depth."""
    named = set()
    for part in visitors.iterate(statement):  # type: ignore[arg-type]  # every statement can be walked through
        table = part.table if isinstance(part, ColumnClause) else part
        if isinstance(table, Table):
            named.add(table.name)
    return named


def put_at_site(session: Session, site_id: int | None) -> None:
    """Have rows that a session adds belong to a site; None: to the only one that there is.

    Without a site nothing that belongs to one can be added where there are several: flushing raises InputError.
    """

    def put(session: Session, *_: Any) -> None:
        placeless = [
            row
            for row in session.new
            if not isinstance(row, (*_OF_NO_SITE, *_SHARED)) and not getattr(row, "site_id", None)
        ]
        belongs_to = site_id if site_id is not None or not placeless else _only_site(session)
        for row in placeless:
            if isinstance(row, _AtASite) and belongs_to is not None:
                row.site_id = belongs_to

    event.listen(session, "before_flush", put)


def _belongs(row: type[Base], table: FromClause, site_id: int) -> ColumnElement[bool]:
    """Whether a row of a table, or of another name for it, is of a site."""
    if row in _OF_A_SITE:
        return table.c.site_id == site_id
    if row in _LINKED_BY:
        linking, by = _LINKED_BY[row]
        links = linking.__table__.alias()
        return _there(links, links.c[by] == table.c.id, _belongs(linking, links, site_id))
    ways = []
    for column, other in _HANGS_ON[row].items():
        holder = other.__table__.alias()
        ways.append(_there(holder, holder.c.id == table.c[column], _belongs(other, holder, site_id)))
    return or_(*ways)


def _there(holder: FromClause, *conditions: ColumnElement[bool]) -> ColumnElement[bool]:
    # One look by number for each row: a list of all photos of a site could be longer than what is asked for.
    return exists(select(1).select_from(holder).where(*conditions).correlate_except(holder))


def _only_site(session: Session) -> int:
    with session.no_autoflush:
        ids = session.scalars(select(SiteRow.id).limit(2)).all()
    if len(ids) != 1:
        raise InputError(_SEVERAL)
    return ids[0]
