"""Growth pooled per shelf, comparable by age, and what is normal for a room."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trayvision.growth.curve import GrowthCurve, fit_growth
from trayvision.growth.past_runs import learn_prior
from trayvision.growth.prior import GrowthPrior
from trayvision.growth.sigmoid import sigmoid, sigmoid_jacobian

Floats = NDArray[np.float64]

# Variance between the shelves of a room as a share of the variance between runs. Judgement; the
# shelves' own runs soon outweigh it.
SHELF_VARIANCE = 0.25

# Fewer runs have no 5 and 95 % quantile worth the name.
_FEWEST_RUNS = 5

# How far beyond its last reading a run still counts towards what is normal, as a share of its age.
_REACH = 0.1


@dataclass(frozen=True, eq=False)
class ShelfCurve:
    """The usual growth on one shelf.

    Parameters
    ----------
    shelf : str
        Its name.
    runs : int
        Runs that it was learned from.
    ages : ndarray, shape (n,)
        Ages, in the unit of the curves.
    mean, mean_uncertainty : ndarray, shape (n,)
        Curve at the shelf's mean parameters and its standard uncertainty (k = 1).
    run_low, run_high : ndarray, shape (n,)
        Central interval of a single new run on this shelf.
    lag, lag_uncertainty : float
        How much later than the room's average this shelf reaches half its final value, in age
        units, negative when sooner; and its standard uncertainty.
    prior : GrowthPrior
        What a new run on this shelf starts from.
    """

    shelf: str
    runs: int
    ages: Floats
    mean: Floats
    mean_uncertainty: Floats
    run_low: Floats
    run_high: Floats
    lag: float
    lag_uncertainty: float
    prior: GrowthPrior


def shelf_curve(
    past_curves: Sequence[GrowthCurve],
    *,
    room: GrowthPrior,
    shelf: str,
    ages: ArrayLike,
    rng: np.random.Generator,
    coverage: float = 0.9,
) -> ShelfCurve:
    """Pool a shelf's runs, shrunk towards the room's by their number.

    Parameters
    ----------
    past_curves : sequence of GrowthCurve
        Runs on this shelf; none gives the room's curve with a wide lag.
    room : GrowthPrior
        Learned from all shelves.
    shelf : str
        Name.
    ages : array_like, shape (n,)
        Where to give the curve.
    rng : numpy.random.Generator
        For the interval of a single run.
    coverage : float
        Of that interval.

    Returns
    -------
    ShelfCurve
    """
    prior = learn_prior(past_curves, parent=room, group=shelf, group_variance=SHELF_VARIANCE)
    at_ages = np.atleast_1d(np.asarray(ages, float))
    unseen = fit_growth([], prior=prior)
    low, _, high = unseen.band(at_ages, rng=rng, coverage=coverage)
    fit = unseen.best
    size = fit.shape.parameters
    slopes = sigmoid_jacobian(fit.shape, prior.mean[:size], at_ages)
    variance = np.einsum("ni,ij,nj->n", slopes, prior.mean_covariance[:size, :size], slopes)
    return ShelfCurve(
        shelf=shelf,
        runs=len(past_curves),
        ages=at_ages,
        mean=sigmoid(fit.shape, prior.mean[:size], at_ages),
        mean_uncertainty=np.sqrt(variance),
        run_low=low,
        run_high=high,
        lag=float(prior.mean[1] - room.mean[1]),
        lag_uncertainty=float(np.sqrt(prior.mean_covariance[1, 1])),
        prior=prior,
    )


@dataclass(frozen=True, eq=False)
class NormalBand:
    """Where the room's own past runs were, by age.

    Parameters
    ----------
    ages : ndarray, shape (n,)
        In the unit of the curves.
    low, median, high : ndarray, shape (n,)
        Quantiles over runs; NaN where fewer than five runs reach.
    runs : ndarray of int, shape (n,)
        How many runs each age rests on.
    """

    ages: Floats
    low: Floats
    median: Floats
    high: Floats
    runs: NDArray[np.int64]


def normal_band(
    past_curves: Sequence[GrowthCurve], *, ages: ArrayLike, coverage: float = 0.9
) -> NormalBand:
    """Quantiles over past runs of their fitted curves, age by age.

    A run counts up to its last reading and a tenth beyond: what was never seen is not normal.

    Parameters
    ----------
    past_curves : sequence of GrowthCurve
        Finished runs of one quantity and age unit, in any order.
    ages : array_like, shape (n,)
        Where to give the band.
    coverage : float
        Share of runs that the band holds.

    Returns
    -------
    NormalBand

    Raises
    ------
    ValueError
        If `coverage` does not lie between 0 and 1.
    """
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"coverage must lie between 0 and 1, got {coverage!r}")
    at_ages = np.atleast_1d(np.asarray(ages, float))
    values = np.full((len(past_curves), len(at_ages)), np.nan)
    for row, curve in zip(values, past_curves, strict=True):
        if curve.points:
            seen = at_ages <= curve.points[-1].age * (1.0 + _REACH)
            row[seen] = curve.at_ages(at_ages[seen])[0]
    runs = np.isfinite(values).sum(axis=0)
    shares = (0.5 - coverage / 2.0, 0.5, 0.5 + coverage / 2.0)
    lines = np.full((3, len(at_ages)), np.nan)
    for index in np.flatnonzero(runs >= _FEWEST_RUNS):
        column = values[:, index]
        lines[:, index] = np.quantile(column[np.isfinite(column)], shares)
    return NormalBand(at_ages, lines[0], lines[1], lines[2], runs.astype(np.int64))
