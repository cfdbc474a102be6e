"""From the log to the arrays that risk is learnt from: each piece with its strength, its conditions and its loss."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from inspector import log
from inspector.curing import BreakTestFit, strength_fraction
from inspector.log import Mix, Mold, NearestPours
from inspector.risk import Evidence, gather_evidence
from inspector.workshop.curing import Curing, PieceAge, mix_curve
from inspector.workshop.lost import Loss, judge_loss

__all__ = [
    "Condition",
    "KnownPiece",
    "ShopEvidence",
    "gather_known_pieces",
    "gather_shop_evidence",
    "possible_conditions",
    "usual_strength",
    "with_telling_conditions",
]

# A condition is looked at if so many pieces have it and so many have not.
_FEWEST_EITHER_WAY = 15
# Equivalent age 0: a piece frozen from the pour on. It has no strength that a logarithm could be taken of.
_LEAST_STRENGTH = 1e-3
# No cement may begin to set sooner: ASTM C150/C150M, Table 3 (Vicat) and EN 197-1, Table 3 (class 52.5), from memory. A
# good piece that came out sooner has the wrong pour or time, and one such would flatten its mold's whole curve.
_SETS_AFTER_H = 0.75


@dataclass(frozen=True, slots=True)
class KnownPiece:
    """A piece whose age and outcome are both known."""

    age: PieceAge
    loss: Loss


@dataclass(frozen=True, slots=True)
class Condition:
    """What may matter beside the strength."""

    name: str
    """As a caster says it: `fibres in the mix`."""
    kind: Literal["wet", "fibres", "admixture", "material", "release agent"]
    value: str = ""
    """Which admixture, material or agent."""

    @property
    def is_of_mix(self) -> bool:
        """Whether it comes with the mix, not with the mold or the cure."""
        return self.kind in ("fibres", "admixture")

    def of(self, mold: Mold, mix: Mix | None, release_agent: str) -> float:
        """Tell whether it holds for a mold, a mix and what was put on: 0 or 1; wet cure is each piece's own."""
        match self.kind:
            case "wet":
                return 1.0
            case "fibres":
                return float(mix is not None and bool(mix.fibres.strip()))
            case "admixture":
                return float(mix is not None and any(item.name == self.value for item in mix.admixtures))
            case "material":
                return float(mold.material == self.value)
            case "release agent":
                return float(release_agent == self.value)


@dataclass(frozen=True, slots=True, eq=False)
class ShopEvidence:
    """What the log tells about losses."""

    molds: tuple[Mold, ...]
    """The units of the evidence."""
    pieces: tuple[KnownPiece, ...]
    """In the order of demolding, one an entry of the evidence."""
    before_setting: tuple[KnownPiece, ...]
    """Left out of the evidence: they came out before any cement sets, so that their pour or time must be wrong."""
    evidence: Evidence
    conditions: tuple[Condition, ...]
    features: Mapping[str, tuple[str, ...]]
    """By mold: those that are drawn on its references, then others that were lost."""


def gather_shop_evidence(
    opened: log.Log,
    curing: Curing,
    *,
    until: datetime,
    mold: str | None = None,
    conditions: Sequence[Condition] | None = None,
    strengths: Mapping[str, BreakTestFit] | None = None,
) -> ShopEvidence:
    """Gather what the log tells about all molds, or about one.

    Parameters
    ----------
    opened : Log
    curing : Curing
        Of the same log.
    until : datetime
        Pieces demolded later are left out.
    mold : str, optional
        Only this one.
    conditions : sequence of Condition, optional
        Those to look at; by default all that differ enough from piece to piece.
    strengths : mapping, optional
        How each mix gains strength, where that is known already.
    """
    molds = log.list_molds(opened) if mold is None else (log.find_mold(opened, mold),)
    mixes = {mix.name: mix for mix in log.list_mixes(opened)}
    losses = {outcome.piece_id: judge_loss(outcome) for outcome in log.list_piece_outcomes(opened, mold=mold)}
    known = [
        KnownPiece(age=age, loss=loss)
        for age in curing.piece_ages(mold=mold, strengths=strengths)
        if age.demolded_at <= until and (loss := losses.get(age.piece_id)) is not None
    ]
    pieces = tuple(filter(_had_set, known))
    by_name = {item.name: (number, item) for number, item in enumerate(molds)}

    # What depends on mold, mix and release agent alone is worked out once for each three of them.
    agents = log.list_release_agents(opened)
    ways = [(piece.age.mold, piece.age.mix, agents[piece.age.mold].at(piece.age.poured_at)) for piece in pieces]
    numbers = {way: number for number, way in enumerate(dict.fromkeys(ways))}
    way_of_piece = np.array([numbers[way] for way in ways], dtype=np.intp)

    def values(condition: Condition) -> NDArray[np.float64]:
        if condition.kind == "wet":
            return np.array([_share_wet(piece.age) for piece in pieces])
        of_ways = [condition.of(by_name[mold][1], mixes.get(mix or ""), agent) for mold, mix, agent in numbers]
        return np.array(of_ways, dtype=float)[way_of_piece]

    if conditions is None:
        candidates = _conditions(molds, tuple(mixes.values()), {agent for _, _, agent in ways})
        columns = _telling([(condition, values(condition)) for condition in candidates])
    else:
        columns = [(condition, values(condition)) for condition in conditions]
    evidence = gather_evidence(
        units=len(molds),
        unit=[by_name[piece.age.mold][0] for piece in pieces],
        strength_fraction=[max(piece.age.strength_fraction, _LEAST_STRENGTH) for piece in pieces],
        lost=[piece.loss.lost for piece in pieces],
        pour=[piece.age.pour_id for piece in pieces],
        conditions=np.column_stack([column for _, column in columns]) if columns else np.zeros((len(pieces), 0)),
        condition_names=[condition.name for condition, _ in columns],
    )
    return ShopEvidence(
        molds=molds,
        pieces=pieces,
        before_setting=tuple(piece for piece in known if not _had_set(piece)),
        evidence=evidence,
        conditions=tuple(condition for condition, _ in columns),
        features=_features(opened, molds, pieces),
    )


def gather_known_pieces(
    opened: log.Log,
    curing: Curing,
    *,
    mold: str,
    until: datetime,
    since: datetime | None = None,
    pours: NearestPours | None = None,
) -> tuple[KnownPiece, ...]:
    """Gather the pieces of a mold that its evidence is of, in the order of demolding, without learning from them.

    Parameters
    ----------
    opened : Log
    curing : Curing
        Of the same log.
    mold : str
    until : datetime
        Pieces demolded later are left out.
    since : datetime, optional
        Only those demolded from then on.
    pours : NearestPours, optional
        Only pieces of these pours.
    """
    ages = [age for age in curing.piece_ages(mold=mold, since=since, pours=pours) if age.demolded_at <= until]
    outcomes = log.list_piece_outcomes(opened, mold=mold, piece_ids=[age.piece_id for age in ages])
    losses = {outcome.piece_id: judge_loss(outcome) for outcome in outcomes}
    known = [KnownPiece(age=age, loss=loss) for age in ages if (loss := losses[age.piece_id]) is not None]
    return tuple(filter(_had_set, known))


def possible_conditions(opened: log.Log) -> tuple[Condition, ...]:
    """Give all that may matter to a piece of the log, whether it tells pieces apart or not."""
    agents = log.list_release_agents(opened).values()
    put_on = {agent for item in agents for agent in (item.first, *(agent for _, agent in item.changes))}
    return tuple(_conditions(log.list_molds(opened), log.list_mixes(opened), put_on))


def with_telling_conditions(
    evidence: Evidence, conditions: Sequence[Condition]
) -> tuple[Evidence, tuple[Condition, ...]]:
    """Leave of the conditions of evidence, one a column, those that differ enough from piece to piece."""
    columns = _telling([(condition, evidence.conditions[:, number]) for number, condition in enumerate(conditions)])
    values = np.column_stack([column for _, column in columns]) if columns else np.zeros((len(evidence.unit), 0))
    names = tuple(condition.name for condition, _ in columns)
    return replace(evidence, conditions=values, condition_names=names), tuple(condition for condition, _ in columns)


def usual_strength(
    pieces: Sequence[KnownPiece], strengths: Mapping[str, BreakTestFit]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Strengths that the ages of pieces would have given at the temperature usual for them, and how fast they aged.

    Returns
    -------
    strength_fraction, ageing : ndarray, shape (n,)
        Ageing is 1 for a piece cured at the temperature that half of the pieces were warmer than. [-]
    """
    age_h = np.array([piece.age.demold_age_h for piece in pieces])
    rate = np.array([piece.age.equivalent_age_h for piece in pieces]) / np.maximum(age_h, 1e-9)
    usual_rate = float(np.median(rate)) if len(rate) else 1.0
    fractions = np.zeros(len(pieces))
    mixes = np.array([piece.age.mix or "" for piece in pieces])
    for mix in dict.fromkeys(piece.age.mix for piece in pieces):
        of_mix = mixes == (mix or "")
        fractions[of_mix] = strength_fraction(mix_curve(mix, strengths), usual_rate * age_h[of_mix])
    return np.maximum(fractions, _LEAST_STRENGTH), np.maximum(rate / max(usual_rate, 1e-9), 1e-3)


def _conditions(molds: Sequence[Mold], mixes: Sequence[Mix], release_agents: Collection[str]) -> list[Condition]:
    """What may matter to a caster; never who did it."""
    admixtures = sorted({item.name for mix in mixes for item in mix.admixtures})
    materials = sorted({mold.material for mold in molds if mold.material})
    return [
        Condition("kept wet until demolding", "wet"),
        Condition("fibres in the mix", "fibres"),
        *(Condition(f"{name} in the mix", "admixture", name) for name in admixtures),
        *(Condition(f"{material} mold", "material", material) for material in materials),
        *(Condition(_agent_words(agent), "release agent", agent) for agent in sorted(filter(None, release_agents))),
    ]


def _agent_words(agent: str) -> str:
    return "no release agent" if agent == "none" else f"{agent} as release agent"


def _had_set(piece: KnownPiece) -> bool:
    return piece.age.demold_age_h >= _SETS_AFTER_H


def _share_wet(age: PieceAge) -> float:
    """Share of its time in the mold that a piece was kept wet; a closed mold keeps it so unless somebody says else."""
    if age.wet_until_h is None or age.demold_age_h <= 0:
        return 1.0
    return min(1.0, age.wet_until_h / age.demold_age_h)


def _differs(column: NDArray[np.float64]) -> bool:
    return min((column > 0.5).sum(), (column <= 0.5).sum()) >= _FEWEST_EITHER_WAY


def _telling(columns: list[tuple[Condition, NDArray[np.float64]]]) -> list[tuple[Condition, NDArray[np.float64]]]:
    return _told_apart([(condition, column) for condition, column in columns if _differs(column)])


def _told_apart(columns: list[tuple[Condition, NDArray[np.float64]]]) -> list[tuple[Condition, NDArray[np.float64]]]:
    """Keep one of conditions that always come together, under all their names, and one of those that never do."""
    kept: list[tuple[Condition, NDArray[np.float64]]] = []
    for condition, column in columns:
        for number, (other, other_column) in enumerate(kept):
            if np.array_equal(column, other_column):
                kept[number] = (replace(other, name=f"{other.name}, {condition.name}"), other_column)
                break
            if np.array_equal(column, 1 - other_column):
                break
        else:
            kept.append((condition, column))
    return kept


def _features(opened: log.Log, molds: Sequence[Mold], pieces: Sequence[KnownPiece]) -> dict[str, tuple[str, ...]]:
    lost: dict[str, dict[str, None]] = {mold.name: {} for mold in molds}
    for piece in pieces:
        lost[piece.age.mold].update(dict.fromkeys(piece.loss.features))
    features = {}
    for mold in molds:
        drawn = [feature.name for item in log.list_references(opened, mold.name) for feature in item.features]
        features[mold.name] = tuple(dict.fromkeys([*drawn, *lost[mold.name]]))
    return features
