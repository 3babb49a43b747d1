"""What a room's own past runs teach about the next one, shrunk towards what was known before."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from trayvision.growth.curve import GrowthCurve
from trayvision.growth.prior import GrowthPrior
from trayvision.growth.sigmoid import sigmoid

Floats = NDArray[np.float64]

# The three parameters that mean the same for every shape; skew is left as the parent has it.
_SHARED = slice(0, 3)

# How many runs (or readings) the parent's spread counts for against the group's own.
_PARENT_RUNS = 5.0
_PARENT_READINGS = 20.0

_EM_ROUNDS = 30

# Variance between the seed lots of a room as a share of the variance between runs. Judgement: a lot
# germinates as it was grown and stored, which sets its trays apart more than a shelf does. In drawn
# rooms, of 384 forecasts each, the 90 % interval of the harvest held in lots that end 40 % lower
# than the room's others, after one of their trays was harvested, 82 % with half as much, 89 % with
# this and 91 % with twice as much; in usual lots 90, 92 and 93 %.
LOT_VARIANCE = 1.0

# Smallest share of the squared residuals that the wobble is told from, and the mean of that share
# of a squared standard normal deviate: P(chi2_3 < q) / P(chi2_1 < q) with q = 2.7055.
_KEPT = 0.9
_KEPT_MEAN_SQUARE = 0.6230


def learn_prior(
    past_curves: Sequence[GrowthCurve],
    *,
    parent: GrowthPrior,
    group: str,
    group_variance: float = 0.0,
) -> GrowthPrior:
    """Empirical-Bayes prior of a group of runs: a room's on one grain, or one shelf's of those.

    Each past run tells its parameters only as well as its points did, so a run harvested before
    its plateau says little of the asymptote. Group mean and spread follow by EM of a normal
    hierarchical model (Laird & Ware, Biometrics 38 (1982) 963; from memory), the mean shrunk
    towards the parent's by its covariance, the spread by a count of pseudo-runs: a group of one
    hardly moves the parent, a group of fifty hardly remembers it.

    Parameters
    ----------
    past_curves : sequence of GrowthCurve
        Finished runs of the group, in any order, in the units of `parent`; none returns the
        parent's figures under this group's name.
    parent : GrowthPrior
        Of the published ranges for a room, of the room for a shelf.
    group : str
        Name for the `origin`, such as ``"barley in this room"``.
    group_variance : float
        Variance of the means of groups around the parent's mean, as a share of the variance
        between runs. 0 for a room under the published ranges, whose mean's covariance already
        spans rooms; 0.25 suits shelves of one room, `LOT_VARIANCE` its seed lots.

    Returns
    -------
    GrowthPrior

    Raises
    ------
    ValueError
        If `group_variance` is negative.
    """
    if not group_variance >= 0.0:
        raise ValueError(f"group_variance must be at least 0, got {group_variance!r}")
    prior_covariance = parent.mean_covariance + group_variance * parent.between_runs
    evidence = sorted((_evidence(curve) for curve in past_curves), key=_sort_key)
    mean, between, mean_covariance = _expectation_maximisation(
        evidence,
        prior_mean=parent.mean[_SHARED],
        prior_covariance=prior_covariance[_SHARED, _SHARED],
        prior_between=parent.between_runs[_SHARED, _SHARED],
    )
    learned_mean, learned_between = parent.mean.copy(), parent.between_runs.copy()
    learned_covariance = prior_covariance.copy()
    learned_mean[_SHARED] = mean
    learned_between[_SHARED, _SHARED] = between
    learned_covariance[_SHARED, _SHARED] = mean_covariance
    return replace(
        parent,
        mean=learned_mean,
        between_runs=learned_between,
        mean_covariance=learned_covariance,
        wobble=_wobble(past_curves, parent),
        shape_weights=_shape_weights(past_curves, parent),
        origin=f"{_counted(len(past_curves))} of {group}, shrunk towards: {parent.origin}",
        runs=len(past_curves),
    )


def _counted(runs: int) -> str:
    return "one past run" if runs == 1 else f"{runs} past runs"


def of_both(one: GrowthPrior, other: GrowthPrior, *, room: GrowthPrior) -> GrowthPrior:
    """Prior of a run that belongs to two groups of a room, such as a shelf and a seed lot.

    What sets each group's mean apart from the room's adds up, as in a two-way analysis of variance
    without interaction, and so do the covariances of both, though they share the room's own: a
    little too unsure. Single runs spread around that as in `other`.

    Parameters
    ----------
    one, other : GrowthPrior
        Of the two groups, each learned with `room` as its parent.
    room : GrowthPrior

    Returns
    -------
    GrowthPrior
    """
    towards = f", shrunk towards: {room.origin}"
    groups = " and ".join(group.origin.removesuffix(towards) for group in (one, other))
    return replace(
        other,
        mean=one.mean + other.mean - room.mean,
        mean_covariance=one.mean_covariance + other.mean_covariance,
        origin=f"{groups}{towards}",
    )


def _evidence(curve: GrowthCurve) -> tuple[Floats, Floats]:
    """(precision, precision @ parameters) of a run's points alone, its prior taken out again."""
    fit = curve.best
    posterior = np.linalg.inv(fit.covariance[_SHARED, _SHARED])
    prior = np.linalg.inv(curve.prior.covariance[_SHARED, _SHARED])
    values, vectors = np.linalg.eigh(posterior - prior)
    # Rounding and the skew's share can leave a direction slightly below nothing.
    precision = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return precision, posterior @ fit.theta[_SHARED] - prior @ curve.prior.mean[_SHARED]


def _sort_key(evidence: tuple[Floats, Floats]) -> tuple[float, ...]:
    # Sums in floating point depend on their order; the order of the runs must not matter.
    return (*evidence[1].tolist(), *evidence[0].ravel().tolist())


def _expectation_maximisation(
    evidence: list[tuple[Floats, Floats]],
    *,
    prior_mean: Floats,
    prior_covariance: Floats,
    prior_between: Floats,
) -> tuple[Floats, Floats, Floats]:
    mean, between = prior_mean, prior_between
    prior_precision = np.linalg.inv(prior_covariance)
    mean_covariance = prior_covariance
    # All runs at once: matrices as (runs, n, n), vectors as (runs, n).
    precisions = np.array([precision for precision, _ in evidence])
    pulls = np.array([pull for _, pull in evidence])
    for _ in range(_EM_ROUNDS if evidence else 0):
        spread_precision = np.linalg.inv(between)
        run_covariances = np.linalg.inv(precisions + spread_precision)
        run_means = np.einsum("rij,rj->ri", run_covariances, pulls + spread_precision @ mean)
        total = prior_precision + len(evidence) * spread_precision
        mean = np.linalg.solve(
            total, prior_precision @ prior_mean + spread_precision @ run_means.sum(axis=0)
        )
        departures = run_means - mean
        scatter = departures.T @ departures + run_covariances.sum(axis=0)
        between = (_PARENT_RUNS * prior_between + scatter) / (_PARENT_RUNS + len(evidence))
        # What the points left open of each run is open in the mean too.
        left_open = spread_precision @ run_covariances.sum(axis=0) @ spread_precision
        informed = len(evidence) * spread_precision - left_open
        mean_covariance = np.linalg.inv(prior_precision + informed)
    return mean, between, (mean_covariance + mean_covariance.T) / 2.0


def _shape_weights(
    past_curves: Sequence[GrowthCurve], parent: GrowthPrior
) -> tuple[float, float, float]:
    votes = _PARENT_RUNS * np.array(parent.shape_weights)
    for weights in sorted(curve.weights for curve in past_curves):
        votes = votes + np.array(weights)
    share = votes / votes.sum()
    return float(share[0]), float(share[1]), float(1.0 - share[0] - share[1])


def _wobble(past_curves: Sequence[GrowthCurve], parent: GrowthPrior) -> float:
    """Scatter of the readings beyond their stated uncertainty, shrunk towards the parent's."""
    squares, stated = [np.empty(0)], [np.empty(0)]
    for curve in past_curves:
        fit = curve.best
        spare = len(curve.points) - fit.effective_parameters
        if spare < 1.0:
            continue
        expected = sigmoid(fit.shape, fit.theta, [point.age for point in curve.points])
        residual = expected - [point.value for point in curve.points]
        squares.append(residual**2 * len(curve.points) / spare)
        stated.append(np.square([point.uncertainty for point in curve.points]))
    own = _excess_variance(np.concatenate(squares), np.concatenate(stated))
    count = sum(len(group) for group in squares)
    pooled = (_PARENT_READINGS * parent.wobble**2 + count * own) / (_PARENT_READINGS + count)
    return float(np.sqrt(pooled))


def _excess_variance(squares: Floats, stated: Floats) -> float:
    """The variance to add to the stated ones for the residuals to have unit scale.

    The largest tenth is left out, so that wrong readings do not widen it; a median would be
    drawn down by a robust fit that passes through some of its own points.
    """
    kept = int(_KEPT * len(squares))

    def excess(variance: float) -> float:
        return float(np.sort(squares / (stated + variance))[:kept].mean()) - _KEPT_MEAN_SQUARE

    if kept == 0 or excess(0.0) <= 0.0:
        return 0.0
    return float(brentq(excess, 0.0, float(squares.max()) / _KEPT_MEAN_SQUARE))
