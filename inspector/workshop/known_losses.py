"""What is known about losses: learnt from all molds together, then about each."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from inspector import log
from inspector.curing import BreakTestFit
from inspector.log import Mix, Mold, SisterMold
from inspector.risk import (
    PRACTICE_PRIOR,
    DesignEvidence,
    Evidence,
    Learnt,
    MoldRisk,
    Population,
    estimate_mold,
    fit_features,
    join_evidence,
    learn,
    mold_risk,
    pour_spread,
    with_change,
)
from inspector.workshop.curing import Curing
from inspector.workshop.designs import FEWEST_TOLD, KnownDesign, estimate_text, known_designs
from inspector.workshop.kept_losses import SharedLosses
from inspector.workshop.shop_evidence import (
    Condition,
    KnownPiece,
    ShopEvidence,
    gather_shop_evidence,
    possible_conditions,
    with_telling_conditions,
)

__all__ = [
    "LATEST_PIECES",
    "KnownMold",
    "KnownShop",
    "feature_table",
    "latest_mix",
    "learn_mold",
    "learn_shared",
    "learn_shop",
    "mold_estimate",
    "of_mold",
    "with_latest_mix",
    "with_mix",
]

LATEST_PIECES = 30
"""So many latest pieces tell how a mold is used of late."""


@dataclass(frozen=True, slots=True, eq=False)
class KnownShop:
    """What was learnt from all molds."""

    mark: tuple[int, ...]
    """Of the log that it was learnt from."""
    now: datetime
    """Pieces demolded later were left out."""
    newest_piece_id: int
    shop: ShopEvidence
    sisters: tuple[SisterMold, ...]
    """What was kept of other molds of the molds' designs."""
    designs: Mapping[str, KnownDesign]
    """By mold: what those tell."""
    learnt: Learnt
    shared: SharedLosses
    """What it tells about any mold."""
    features: tuple[tuple[MoldRisk, ...], ...]


@dataclass(frozen=True, slots=True, eq=False)
class KnownMold:
    """What is known about one mold."""

    mold: Mold
    pieces: tuple[KnownPiece, ...]
    before_setting: int
    """So many further pieces came out before any cement sets, and are not counted."""
    needs: NDArray[np.float64]
    """(n,) by how much more strength each piece needs than the one that the risk is of, for its mix and cure. [-]"""
    conditions: NDArray[np.float64]
    """(n, k) of each piece, as in the evidence."""
    evidence: Evidence
    """Its pieces, but for those of bad pours: one unit."""
    shared: SharedLosses
    """What all molds tell about this one."""
    design: KnownDesign | None
    """What those of its design tell, at whichever site."""
    risk: MoldRisk
    features: tuple[str, ...]
    feature_risks: tuple[MoldRisk, ...]

    @property
    def population(self) -> Population:
        """How molds differ, and what conditions do."""
        return self.shared.population


def learn_shop(opened: log.Log, curing: Curing, *, now: datetime, sisters: tuple[SisterMold, ...]) -> KnownShop:
    """Learn from all molds; pieces demolded later than `now` are left out."""
    mark, newest_piece_id = log.evidence_mark(opened), log.newest_piece_id(opened)
    shop = gather_shop_evidence(opened, curing, until=now)
    designs = known_designs(sisters)
    learnt = learn(shop.evidence, PRACTICE_PRIOR, _told_by_designs(shop.molds, designs))
    sound = np.flatnonzero(learnt.sound)
    units = shop.evidence.unit[sound]
    tables = [
        feature_table([shop.pieces[row] for row in sound[units == number]], shop.features[mold.name])
        for number, mold in enumerate(shop.molds)
    ]
    population, features = fit_features(
        mold=units,
        strength_fraction=shop.evidence.strength_fraction[sound],
        lost=tables,
        molds=learnt.molds,
    )
    return KnownShop(
        mark=mark,
        now=now,
        newest_piece_id=newest_piece_id,
        shop=shop,
        sisters=sisters,
        designs=designs,
        learnt=learnt,
        shared=_shared(shop.evidence, learnt, shop.conditions, population, now=now),
        features=features,
    )


def learn_shared(
    opened: log.Log,
    curing: Curing,
    *,
    now: datetime,
    strengths: Mapping[str, BreakTestFit],
    sisters: Sequence[SisterMold],
) -> SharedLosses:
    """Learn what all molds tell about any of them; the pieces of one mold at a time are in memory.

    It is the `shared` of `learn_shop`; `strengths` is how each mix gains strength.
    """
    possible = possible_conditions(opened)
    portions, tables, molds = [], [], log.list_molds(opened)
    for mold in molds:
        of_mold = gather_shop_evidence(
            opened, curing, until=now, mold=mold.name, conditions=possible, strengths=strengths
        )
        portions.append(of_mold.evidence)
        tables.append(feature_table(of_mold.pieces, of_mold.features[mold.name]))
    joined = join_evidence(portions, condition_names=[condition.name for condition in possible])
    evidence, conditions = with_telling_conditions(joined, possible)
    learnt = learn(evidence, PRACTICE_PRIOR, _told_by_designs(molds, known_designs(sisters)))
    population, _ = fit_features(
        mold=evidence.unit[learnt.sound],
        strength_fraction=evidence.strength_fraction[learnt.sound],
        lost=[table[learnt.sound[evidence.unit == number]] for number, table in enumerate(tables)],
        molds=learnt.molds,
    )
    return _shared(evidence, learnt, conditions, population, now=now)


def _told_by_designs(molds: Sequence[Mold], designs: Mapping[str, KnownDesign]) -> dict[int, DesignEvidence]:
    """Give what designs tell of molds by the molds' numbers."""
    return {number: designs[mold.name].evidence for number, mold in enumerate(molds) if mold.name in designs}


def _shared(
    evidence: Evidence,
    learnt: Learnt,
    conditions: tuple[Condition, ...],
    feature_population: Population,
    *,
    now: datetime,
) -> SharedLosses:
    return SharedLosses(
        as_of=now,
        conditions=conditions,
        population=learnt.population,
        feature_population=feature_population,
        bad_pours=learnt.bad_pours,
        pour_spread=pour_spread(evidence.of(learnt.sound), learnt.population.effects.expected_loss),
    )


def learn_mold(
    opened: log.Log,
    curing: Curing,
    name: str,
    *,
    now: datetime,
    shared: SharedLosses,
    strengths: Mapping[str, BreakTestFit],
    sisters: Sequence[SisterMold],
) -> KnownMold:
    """Learn one mold anew from its own pieces, with what is known of all molds, and of those of its design.

    `strengths` is how each mix gains strength; of `sisters` those of other molds are passed over.
    """
    shop = gather_shop_evidence(opened, curing, until=now, mold=name, conditions=shared.conditions, strengths=strengths)
    (mold,) = shop.molds
    sound = ~np.isin(shop.evidence.pour, [bad.pour for bad in shared.bad_pours])
    evidence = shop.evidence.of(sound)
    design = known_designs([sister for sister in sisters if sister.mold == name]).get(name)
    risk = mold_risk(shared.population, evidence, None if design is None else design.evidence)
    table = feature_table(
        [piece for piece, is_sound in zip(shop.pieces, sound, strict=True) if is_sound], shop.features[name]
    )
    _, (features,) = fit_features(
        mold=np.zeros(len(table), dtype=np.intp),
        strength_fraction=evidence.strength_fraction,
        lost=[table],
        molds=(risk,),
        population=shared.feature_population,
    )
    return KnownMold(
        mold=mold,
        pieces=shop.pieces,
        before_setting=len(shop.before_setting),
        needs=_needs(shop.evidence.conditions, risk, shared.population),
        conditions=shop.evidence.conditions,
        evidence=evidence,
        shared=shared,
        design=design,
        risk=risk,
        features=shop.features[name],
        feature_risks=features,
    )


def of_mold(known: KnownShop, number: int) -> KnownMold:
    """Give what is known about one mold of a shop, by its number there."""
    mold = known.shop.molds[number]
    its_own = known.shop.evidence.unit == number
    rows, sound = np.flatnonzero(its_own), known.shop.evidence.of(its_own & known.learnt.sound)
    risk = known.learnt.molds[number]
    return KnownMold(
        mold=mold,
        pieces=tuple(known.shop.pieces[row] for row in rows),
        before_setting=sum(piece.age.mold == mold.name for piece in known.shop.before_setting),
        needs=_needs(known.shop.evidence.conditions[rows], risk, known.learnt.population),
        conditions=known.shop.evidence.conditions[rows],
        evidence=replace(sound, units=1, unit=np.zeros_like(sound.unit)),
        shared=known.shared,
        design=known.designs.get(mold.name),
        risk=risk,
        features=known.shop.features[mold.name],
        feature_risks=known.features[number],
    )


def mold_estimate(known: KnownMold) -> str | None:
    """Tell what a mold's own pieces tell, as it is kept; None without enough of them."""
    if len(known.evidence.lost) < FEWEST_TOLD:
        return None
    return estimate_text(estimate_mold(known.evidence, known.population.effects, PRACTICE_PRIOR))


def with_latest_mix(known: KnownMold) -> KnownMold:
    """Give a mold as it is with the mix that is poured of late: its strengths are those of that mix's pieces."""
    mix = latest_mix(known)
    of_mix = [row for row, piece in enumerate(known.pieces) if piece.age.mix == mix][-LATEST_PIECES:]
    if not of_mix:
        return known
    return _under(known, known.conditions[of_mix].mean(axis=0))


def with_mix(known: KnownMold, mix: Mix | None) -> KnownMold:
    """Give a mold as it is with some mix, the rest as it was of late."""
    of_late = known.conditions[-LATEST_PIECES:].mean(axis=0) if known.pieces else known.risk.conditions
    return _under(
        known,
        np.array(
            [
                condition.of(known.mold, mix, known.mold.release_agent) if condition.is_of_mix else of_late[column]
                for column, condition in enumerate(known.shared.conditions)
            ]
        ),
    )


def _under(known: KnownMold, conditions: NDArray[np.float64]) -> KnownMold:
    """Give a mold as it is under conditions (k,), with how well their effects are known."""
    apart = conditions - known.risk.conditions
    if not apart.any():
        return known
    effects = known.population.effects
    change, sd = float(apart @ effects.log_change), float(np.sqrt(apart @ effects.covariance @ apart))
    return replace(
        known,
        needs=known.needs / np.exp(change),
        risk=_changed(known.risk, change, sd),
        # Features are compared among each other, which the same change of all leaves as it is: its mean is enough.
        feature_risks=tuple(_scaled(risk, np.exp(change)) for risk in known.feature_risks),
    )


def latest_mix(known: KnownMold) -> str | None:
    """Give the mix that most of the latest pieces are of."""
    mixes = Counter(piece.age.mix for piece in known.pieces[-LATEST_PIECES:])
    return max(mixes, key=lambda mix: (mixes[mix], mix or ""), default=None)


def feature_table(pieces: Sequence[KnownPiece], features: Sequence[str]) -> NDArray[np.bool_]:
    """Which feature each piece lost, shape (pieces, features)."""
    return np.array([[name in piece.loss.features for name in features] for piece in pieces], dtype=bool).reshape(
        len(pieces), len(features)
    )


def _needs(conditions: NDArray[np.float64], risk: MoldRisk, population: Population) -> NDArray[np.float64]:
    """By how much more strength pieces need than the mold's average one, for their conditions (n, k)."""
    return np.exp((conditions - risk.conditions) @ population.effects.log_change)


def _changed(risk: MoldRisk, log_change: float, sd: float) -> MoldRisk:
    """Change the strengths that a mold needs, with how well that change is known."""
    _, known_less = with_change(risk, log_change=0.0, sd=sd)
    return _scaled(known_less, np.exp(log_change))


def _scaled(risk: MoldRisk, factor: float) -> MoldRisk:
    return replace(risk, theta=risk.theta * factor, weakest=risk.weakest * factor, strongest=risk.strongest * factor)
