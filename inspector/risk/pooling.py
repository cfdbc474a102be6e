"""Theta, beta and floor of each mold, with what the molds tell about each other.

The molds' parameters (ln r10, ln beta, logit floor; r10 as in `fragility`) are normal around centres with spreads that
are unknown too, so that a mold with few pieces leans on the others and one with many stands by itself (partial
pooling). Computed without chance: the likelihood of each mold on a grid of its own; centres and spreads by importance
sampling from a normal at their mode, on fixed low-discrepancy points; each mold then averaged over them (full Bayes,
not plugged in). Where pours differ by more than chance, likelihoods count for less by that overdispersion (McCullagh
and Nelder 1989, 9.2). Molds of one design lean on each other first (`designs`).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, log_expit, log_ndtr, logsumexp, ndtr, ndtri

from inspector.risk.designs import DesignEvidence, MoldEstimate, design_level, design_shares, estimate_from_moments
from inspector.risk.effects import Effects
from inspector.risk.evidence import CountedPieces, Evidence, count_pieces
from inspector.risk.fragility import Z_TENTH, theta_from_tenth
from inspector.risk.prior import Prior

__all__ = ["MoldRisk", "Population", "estimate_mold", "fit_molds", "mold_risk", "with_change"]

# Nodes of the grids of ln r10, ln beta and logit floor: twice to find where the posterior lies, then on it.
_COARSE_NODES = (25, 9, 9)
_NEARER_NODES = (15, 11, 11)
_FINE_NODES = (27, 15, 13)
_COARSE_SDS = 4.0
_FAR_Z = 5.0
_NEGLIGIBLE = 1e-5  # of the highest density along an axis
# Draws of centres and spreads: a power of two, as low-discrepancy points want.
_DRAWS_LOG2 = 7
_DRAW_WIDENING = 1.2
# Centres and spreads are learnt from so many molds or features at most, evenly picked: more hardly move them.
_MOST_LEARNT_FROM = 80
_DIFFERENCE = 1e-3  # for slopes and curvature, in standard deviations of the prior
# Gauss-Hermite quadrature with three points.
_CHANGE_NODES = (-(3**0.5), 0.0, 3**0.5)
_CHANGE_WEIGHTS = (1 / 6, 2 / 3, 1 / 6)
# Nodes that together hold less than this are left out of a mold's risk, draws that count for less of its design.
_LEFT_OUT = 1e-4
_NEGLIGIBLE_DRAW = 1e-7


@dataclass(frozen=True, slots=True, eq=False)
class Population:
    """What all molds together tell about any of them."""

    prior: Prior
    effects: Effects
    draws: NDArray[np.float64]
    """(h, 6): centre and log spread of ln r10, ln beta and logit floor in turn."""
    weights: NDArray[np.float64]
    """(h,), sum 1."""
    changes: NDArray[np.float64]
    """(h, k) effects of conditions, one draw each."""


@dataclass(frozen=True, slots=True, eq=False)
class MoldRisk:
    """What is believed about one mold (or feature): weighted points of theta, beta and floor."""

    theta: NDArray[np.float64]
    beta: NDArray[np.float64]
    floor: NDArray[np.float64]
    weight: NDArray[np.float64]
    """(n,), sum 1."""
    pieces: int
    lost: int
    weakest: float
    """Lowest strength fraction that a piece was demolded at; NaN without pieces. [-]"""
    strongest: float
    """Highest one; NaN without pieces. [-]"""
    conditions: NDArray[np.float64]
    """(k,) those of the mold's average piece, which theta holds for."""


@dataclass(frozen=True, slots=True, eq=False)
class _Grid:
    """Likelihood of one mold on a grid."""

    axes: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]
    likelihood: NDArray[np.float64] = field(repr=False)
    """(a, b, c), 1 at its highest."""
    conditions: NDArray[np.float64]
    pieces: int
    lost: int
    weakest: float
    strongest: float


def fit_molds(
    evidence: Evidence, effects: Effects, prior: Prior, designs: Mapping[int, DesignEvidence] | None = None
) -> tuple[Population, tuple[MoldRisk, ...]]:
    """Learn what molds are like, and about each.

    Parameters
    ----------
    evidence : Evidence
    effects : Effects
        Fitted to the same evidence.
    prior : Prior
    designs : mapping of int to DesignEvidence, optional
        What other molds of its design tell, of those units that are of one.

    Returns
    -------
    population : Population
    molds : tuple of MoldRisk
        One a unit of the evidence.
    """
    grids = _grids(evidence, effects, prior)
    population = _population(grids, effects, prior)
    of_designs = {
        unit: _risk_of_design(population, evidence.of(evidence.unit == unit), grids[unit], design)
        for unit, design in (designs or {}).items()
    }
    return population, tuple(
        of_designs[unit] if unit in of_designs else _mold_risk(population, grid) for unit, grid in enumerate(grids)
    )


def mold_risk(population: Population, evidence: Evidence, design: DesignEvidence | None = None) -> MoldRisk:
    """Learn about one mold from its own pieces and what is known of the others.

    Parameters
    ----------
    population : Population
        As fitted before; a few pieces more do not move it.
    evidence : Evidence
        Of one unit, with pieces or without.
    design : DesignEvidence, optional
        What other molds of its design tell.
    """
    (grid,) = _grids(evidence, population.effects, population.prior)
    if design is None:
        return _mold_risk(population, grid)
    return _risk_of_design(population, evidence, grid, design)


def estimate_mold(evidence: Evidence, effects: Effects, prior: Prior) -> MoldEstimate:
    """Tell what the pieces of one mold tell by themselves, under the average conditions of its workshop.

    Parameters
    ----------
    evidence : Evidence
        Of one unit.
    effects : Effects
        Of its workshop.
    prior : Prior
        Where to look; it is taken out again.
    """
    (grid,) = _grids(evidence, effects, prior)
    centre, sd = _around(grid.conditions, effects, prior)
    density = grid.likelihood
    for axis, nodes in enumerate(grid.axes):
        density = density * _along(axis, np.exp(-0.5 * ((nodes - centre[axis]) / sd[axis]) ** 2))
    shift = np.array([(grid.conditions - effects.centre) @ effects.log_change, 0.0, 0.0])
    nodes = _nodes(grid) - shift
    weight = density.reshape(-1) / density.sum()
    mean = weight @ nodes
    return estimate_from_moments(
        mean,
        (weight * (nodes - mean).T) @ (nodes - mean),
        prior_mean=centre - shift,
        prior_sd=sd,
        pieces=grid.pieces,
        lost=grid.lost,
    )


def with_change(risk: MoldRisk, *, log_change: float, sd: float) -> tuple[MoldRisk, MoldRisk]:
    """Give a mold as it is, and as a change of conditions would have it, point by point alike.

    Parameters
    ----------
    risk : MoldRisk
    log_change, sd : float
        What the change adds to ln theta, normal with this mean and standard deviation. [-]
    """
    weight = np.concatenate([risk.weight * share for share in _CHANGE_WEIGHTS])
    as_it_is = replace(
        risk,
        theta=np.tile(risk.theta, len(_CHANGE_WEIGHTS)),
        beta=np.tile(risk.beta, len(_CHANGE_WEIGHTS)),
        floor=np.tile(risk.floor, len(_CHANGE_WEIGHTS)),
        weight=weight,
    )
    factors = np.exp(log_change + sd * np.array(_CHANGE_NODES))
    return as_it_is, replace(as_it_is, theta=as_it_is.theta * np.repeat(factors, len(risk.weight)))


def _grids(evidence: Evidence, effects: Effects, prior: Prior) -> tuple[_Grid, ...]:
    counted = count_pieces(evidence)
    edges = np.searchsorted(counted.unit, np.arange(evidence.units + 1))
    return tuple(_grid(counted, slice(*edges[unit : unit + 2]), effects, prior) for unit in range(evidence.units))


def _around(
    conditions: NDArray[np.float64], effects: Effects, prior: Prior
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where a mold under some conditions lies before its pieces are looked at: centre and standard deviation, (3,)."""
    parameters = (prior.log_tenth, prior.log_beta, prior.logit_floor)
    centre = np.array([item.centre for item in parameters])
    centre[0] += (conditions - effects.centre) @ effects.log_change
    return centre, np.array([np.hypot(item.centre_sd, item.spread * np.exp(item.spread_log_sd)) for item in parameters])


def _grid(
    counted: CountedPieces,
    rows: slice,
    effects: Effects,
    prior: Prior,
    around: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None,
) -> _Grid:
    """Give the likelihood where it and the prior put a mold; `around`: centre and spread known better than by it."""
    lost, total = counted.lost[rows], counted.total[rows]
    pieces = int(total.sum())
    conditions = total @ counted.conditions[rows] / pieces if pieces else effects.centre
    # What varies within the mold moves the strength that counts; the rest is the mold's own.
    log_strength = counted.log_strength[rows] - (counted.conditions[rows] - conditions) @ effects.log_change
    data = (log_strength, lost, total - lost, effects.overdispersion)

    centres, sds = around or _around(conditions, effects, prior)
    ends = [(centre - _COARSE_SDS * sd, centre + _COARSE_SDS * sd) for centre, sd in zip(centres, sds, strict=True)]
    if pieces:  # data may lie where the prior would not look
        ends[0] = min(ends[0][0], log_strength.min() - 1), max(ends[0][1], log_strength.max() + 1)
    axes = tuple(np.linspace(*end, nodes) for end, nodes in zip(ends, _COARSE_NODES, strict=True))
    for counts in (_NEARER_NODES, _FINE_NODES):
        log_density = _log_likelihood(axes, *data)
        for axis, (nodes, centre, sd) in enumerate(zip(axes, centres, sds, strict=True)):
            log_density = log_density - _along(axis, 0.5 * ((nodes - centre) / sd) ** 2)
        axes = tuple(
            _zoom(nodes, log_density, axis, count) for axis, (nodes, count) in enumerate(zip(axes, counts, strict=True))
        )
    log_likelihood = _log_likelihood(axes, *data)
    strengths = np.exp(counted.log_strength[rows])
    return _Grid(
        axes=(axes[0], axes[1], axes[2]),
        likelihood=np.exp(log_likelihood - log_likelihood.max()),
        conditions=conditions,
        pieces=pieces,
        lost=int(lost.sum()),
        weakest=float(strengths.min()) if pieces else np.nan,
        strongest=float(strengths.max()) if pieces else np.nan,
    )


def _nodes(grid: _Grid) -> NDArray[np.float64]:
    """All nodes of a grid, shape (n, 3), in the order of its likelihood."""
    return np.stack(np.meshgrid(*grid.axes, indexing="ij"), axis=-1).reshape(-1, 3)


def _along(axis: int, values: NDArray[np.float64]) -> NDArray[np.float64]:
    return values.reshape([-1 if axis == other else 1 for other in range(3)])


def _zoom(nodes: NDArray[np.float64], log_density: NDArray[np.float64], axis: int, count: int) -> NDArray[np.float64]:
    """Nodes over the part of an axis that holds the posterior, and one coarse step more on either side."""
    others = tuple(other for other in range(3) if other != axis)
    marginal = logsumexp(log_density, axis=others)
    held = np.flatnonzero(marginal > marginal.max() + np.log(_NEGLIGIBLE))
    step = nodes[1] - nodes[0]
    return np.linspace(nodes[held[0]] - step, nodes[held[-1]] + step, count)


def _log_likelihood(
    axes: tuple[NDArray[np.float64], ...],
    log_strength: NDArray[np.float64],
    lost: NDArray[np.float64],
    kept: NDArray[np.float64],
    overdispersion: float,
) -> NDArray[np.float64]:
    """Log likelihood on a grid, shape (a, b, c), divided by the overdispersion."""
    log_tenth, log_beta, logit_floor = axes
    z = (log_tenth[:, None, None] - log_strength) / np.exp(log_beta)[:, None] + Z_TENTH
    log_floor, log_sound = log_expit(logit_floor), log_expit(-logit_floor)
    phi = ndtr(z)
    # ln Phi(-z), the slow way only where 1 - Phi(z) has no digits left.
    far = z > _FAR_Z
    log_whole = np.log1p(-np.where(far, 0.0, phi))
    log_whole[far] = log_ndtr(-z[far])
    # ln(1 - p) = ln(1 - floor) + ln Phi(-z): only what was lost needs the sum of both.
    value = (log_whole @ kept)[:, :, None] + kept.sum() * log_sound
    losing = lost > 0
    if losing.any():
        share = phi[:, :, None, losing]
        p = np.exp(log_floor)[:, None] + np.exp(log_sound)[:, None] * share
        value = value + np.log(np.maximum(p, 1e-300)) @ lost[losing]
    return value / overdispersion


def _population(grids: tuple[_Grid, ...], effects: Effects, prior: Prior) -> Population:
    with_pieces = [grid for grid in grids if grid.pieces]
    with_pieces = with_pieces[:: -(-len(with_pieces) // _MOST_LEARNT_FROM) or 1]
    parameters = (prior.log_tenth, prior.log_beta, prior.logit_floor)
    start = np.array([value for item in parameters for value in (item.centre, np.log(item.spread))])
    sds = np.array([value for item in parameters for value in (item.centre_sd, item.spread_log_sd)])
    stacked = _Stack.of(with_pieces, effects)

    def log_posterior(points: NDArray[np.float64]) -> NDArray[np.float64]:
        log_prior = -0.5 * (((points - start) / sds) ** 2).sum(axis=1)
        return log_prior + stacked.log_marginals(points).sum(axis=1) if with_pieces else log_prior

    mode, covariance = _mode(log_posterior, start, sds) if with_pieces else (start, np.diag(sds**2))
    points = _normal_points(len(start) + len(effects.names))
    widened = _DRAW_WIDENING * points[:, : len(start)]
    draws = mode + widened @ np.linalg.cholesky(covariance).T
    log_weights = log_posterior(draws) + 0.5 * (points[:, : len(start)] ** 2).sum(axis=1)
    return Population(
        prior=prior,
        effects=effects,
        draws=draws,
        weights=_truncated(log_weights),
        changes=effects.log_change + points[:, len(start) :] @ np.linalg.cholesky(effects.covariance).T,
    )


def _truncated(log_weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weights of draws (h,), sum 1, no draw counting for more than sqrt(h) average ones (Ionides 2008)."""
    weights = np.minimum(np.exp(log_weights - logsumexp(log_weights)), len(log_weights) ** -0.5)
    return np.asarray(weights / weights.sum())


def _normal_points(dimensions: int) -> NDArray[np.float64]:
    """Standard normal points that fill space evenly, the same every time."""
    from scipy.stats import qmc  # takes a second, which commands that ask for no risk need not wait

    sobol = qmc.Sobol(dimensions, scramble=True, rng=1)
    return np.asarray(ndtri(np.clip(sobol.random_base2(_DRAWS_LOG2), 1e-9, 1 - 1e-9)))


def _mode(
    log_posterior: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    start: NDArray[np.float64],
    sds: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Find the mode, and the covariance of the normal that has its curvature there."""
    size = len(start)
    steps = _DIFFERENCE * np.eye(size)

    def value_and_slope(scaled: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        values = log_posterior(start + sds * np.vstack([scaled, scaled + steps, scaled - steps]))
        return -float(values[0]), (values[1 + size :] - values[1 : 1 + size]) / (2 * _DIFFERENCE)

    found = minimize(value_and_slope, np.zeros(size), jac=True, method="BFGS", options={"gtol": 1e-2}).x
    pairs = steps[:, None, :] + np.array([1, -1])[:, None, None, None] * steps[None, :, :]
    signed = np.concatenate([found + pairs, found - pairs]).reshape(-1, size)
    same_up, apart_up, same_down, apart_down = log_posterior(start + sds * signed).reshape(4, size, size)
    curvature = -(same_up + same_down - apart_up - apart_down) / (4 * _DIFFERENCE**2)
    # Where the likelihood is flat or bent upwards, no wider than twice the prior's variance.
    values, vectors = np.linalg.eigh((curvature + curvature.T) / 2)
    covariance = (vectors / np.maximum(values, 0.5)) @ vectors.T
    return start + sds * found, sds[:, None] * covariance * sds


@dataclass(frozen=True, slots=True, eq=False)
class _Stack:
    """The grids of all molds side by side, so that one product of matrices serves all."""

    axes: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]
    """(u, a), (u, b), (u, c)"""
    likelihood: NDArray[np.float64]
    """(u, a, b * c)"""
    shift: NDArray[np.float64]
    """(u,) what a mold's conditions add to its ln r10."""

    @classmethod
    def of(cls, grids: "list[_Grid]", effects: Effects) -> "_Stack":
        if not grids:
            empty = np.zeros((0, 1))
            return cls(axes=(empty, empty, empty), likelihood=np.zeros((0, 1, 1)), shift=np.zeros(0))
        a, _, _ = _FINE_NODES
        return cls(
            axes=tuple(np.stack([grid.axes[axis] for grid in grids]) for axis in range(3)),  # type: ignore[arg-type]
            likelihood=np.stack([grid.likelihood.reshape(a, -1) for grid in grids]),
            shift=np.stack([grid.conditions - effects.centre for grid in grids]) @ effects.log_change,
        )

    def log_marginals(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log of each mold's likelihood averaged over a population, shape (h, u), up to a constant a mold."""
        tenth = _normal_weights(self.axes[0][:, None, :] - self.shift[:, None, None], points[:, :2])
        beta = _normal_weights(self.axes[1][:, None, :], points[:, 2:4])
        floor = _normal_weights(self.axes[2][:, None, :], points[:, 4:])
        partial = _product("uha,uak->uhk", tenth, self.likelihood)
        partial = partial.reshape(*tenth.shape[:2], beta.shape[2], floor.shape[2])
        return np.log(np.maximum(np.einsum("uhbc,uhb,uhc->hu", partial, beta, floor), 1e-300))


def _product(subscripts: str, left: NDArray[np.float64], right: NDArray[np.float64]) -> NDArray[np.float64]:
    """Multiply many small matrices in this thread; handed to several, they wait for each other on a busy machine."""
    return np.einsum(subscripts, left, right, optimize=False)


def _normal_weights(nodes: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """What a normal puts into the cells around nodes (u, 1, n), for each centre and log spread (h, 2): (u, h, n).

    Cells rather than densities: a normal that is narrower than the nodes are apart still sums to 1 at most.
    """
    half = (nodes[..., 1:2] - nodes[..., :1]) / 2
    edges = np.concatenate([nodes - half, nodes[..., -1:] + half], axis=-1)
    return np.diff(ndtr((edges - points[:, :1]) * np.exp(-points[:, 1:])), axis=-1)


def _mold_risk(population: Population, grid: _Grid) -> MoldRisk:
    tenth, across, marginal = _averaged(population, grid)
    share = population.weights / np.maximum(marginal, 1e-300)
    expected = _product("ha,hk->ak", share[:, None] * tenth, across)
    return _risk_on(grid, grid.likelihood * expected.reshape(grid.likelihood.shape))


def _averaged(
    population: Population, grid: _Grid
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """What each draw puts on nodes of ln r10 (h, a) and of the others (h, b * c), and the likelihood over both (h,)."""
    shift = population.changes @ (grid.conditions - population.effects.centre)
    tenth = _normal_weights(grid.axes[0][None, None, :] - shift[:, None], population.draws[:, :2])[0]
    beta = _normal_weights(grid.axes[1][None, None, :], population.draws[:, 2:4])[0]
    floor = _normal_weights(grid.axes[2][None, None, :], population.draws[:, 4:])[0]
    across = (beta[:, :, None] * floor[:, None, :]).reshape(len(beta), -1)
    flat = grid.likelihood.reshape(len(grid.axes[0]), -1)
    return tenth, across, np.einsum("hk,hk->h", _product("ha,ak->hk", tenth, flat), across)


def _risk_of_design(population: Population, evidence: Evidence, grid: _Grid, design: DesignEvidence) -> MoldRisk:
    """Learn about a mold whose design others are of; `grid` is that of its own pieces, all of the evidence."""
    effects = population.effects
    level = design_level(population.draws, design_shares(len(population.draws)), design)
    # Draws count by what the population was learnt from, and by how well they go with the design; the mold's own
    # pieces, which the population knows already, are taken out once.
    expected = _truncated(np.log(np.maximum(population.weights, 1e-300)) + level.log_evidence)
    _, _, marginal = _averaged(population, grid)
    share = expected / np.maximum(marginal, 1e-300)
    share /= share.sum()
    used = share > _NEGLIGIBLE_DRAW
    mean = level.mean.copy()
    mean[:, 0] += population.changes @ (grid.conditions - effects.centre)
    centre = expected @ mean
    spread = np.sqrt(expected @ (np.diagonal(level.covariance, axis1=1, axis2=2) + (mean - centre) ** 2))
    nearer = _grid(count_pieces(evidence), slice(None), effects, population.prior, (centre, spread))
    nodes = _nodes(nearer)
    # A draw that is sure to less than half a step between nodes is spread over that, so as to fall between none.
    steps = np.array([axis[1] - axis[0] for axis in nearer.axes])
    covariance = level.covariance[used]
    short = np.maximum((steps / 2) ** 2 - np.diagonal(covariance, axis1=1, axis2=2), 0)
    log_normal = _log_normals(nodes - centre, mean[used] - centre, covariance + short[:, :, None] * np.eye(3))
    return _risk_on(nearer, nearer.likelihood * (share[used] @ np.exp(log_normal)).reshape(nearer.likelihood.shape))


def _log_normals(
    points: NDArray[np.float64], mean: NDArray[np.float64], covariance: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Log density of normals with means (h, 3) and covariances (h, 3, 3) at points (n, 3), up to a constant: (h, n).

    As the sum of products of coordinates that it is: one product of matrices for all points of all normals.
    """
    precision = np.linalg.inv(covariance)
    towards = np.einsum("hij,hj->hi", precision, mean)
    alone = -0.5 * ((towards * mean).sum(axis=1) + np.linalg.slogdet(covariance)[1])
    squares = (points[:, :, None] * points[:, None, :]).reshape(len(points), 9)
    terms = np.column_stack([-0.5 * precision.reshape(len(mean), 9), towards, alone])
    return _product("hk,kn->hn", terms, np.column_stack([squares, points, np.ones(len(points))]).T)


def _risk_on(grid: _Grid, density: NDArray[np.float64]) -> MoldRisk:
    """Give what is believed of a mold from its density on a grid, up to a factor."""
    density = density.reshape(-1) / density.sum()
    order = np.argsort(density)
    kept = np.sort(order[np.cumsum(density[order]) > _LEFT_OUT])
    log_tenth, log_beta, logit_floor = (
        np.broadcast_to(_along(axis, nodes), grid.likelihood.shape).reshape(-1)[kept]
        for axis, nodes in enumerate(grid.axes)
    )
    beta = np.exp(log_beta)
    return MoldRisk(
        theta=theta_from_tenth(np.exp(log_tenth), beta=beta),
        beta=beta,
        floor=expit(logit_floor),
        weight=density[kept] / density[kept].sum(),
        pieces=grid.pieces,
        lost=grid.lost,
        weakest=grid.weakest,
        strongest=grid.strongest,
        conditions=grid.conditions,
    )
