"""Posterior draws of a sigmoid's parameters by importance sampling."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trayvision.growth.fit import STUDENT_FREEDOM, Readings, ShapeFit, student_loss
from trayvision.growth.prior import GrowthPrior
from trayvision.growth.sigmoid import Shape, sigmoid

Floats = NDArray[np.float64]

# Student's t for the proposal, so that its tails cover the posterior's.
_PROPOSAL_FREEDOM = 5.0

# Share of draws taken from the prior itself: they find what lies outside the main mode, such as
# the curve through the other one of two readings that contradict each other.
_FROM_PRIOR = 0.25

# Below this many effective draws the proposal is moved to the draws' own moments and drawn again.
_ENOUGH_EFFECTIVE = 400.0
_ROUNDS = 4


@dataclass(frozen=True, eq=False)
class CurveDraws:
    """Weighted draws of one shape's parameters from their posterior.

    Parameters
    ----------
    shape : Shape
        Which sigmoid.
    theta : ndarray, shape (m, p)
        Parameters.
    weight : ndarray, shape (m,)
        Importance weights.
    """

    shape: Shape
    theta: Floats
    weight: Floats

    def scaled(self, share: float) -> "CurveDraws":
        """The same draws with weights times `share`, to mix several shapes."""
        return CurveDraws(self.shape, self.theta, self.weight * share)

    @property
    def effective(self) -> float:
        """Number of unweighted draws that would be as good (Kish)."""
        return float(self.weight.sum() ** 2 / (self.weight**2).sum())


def weighted_quantiles(values: Floats, weight: Floats, shares: Sequence[float]) -> list[float]:
    """Quantiles of weighted draws; infinite draws count as later than any finite one."""
    order = np.argsort(values, kind="stable")
    position = np.cumsum(weight[order]) - weight[order] / 2.0
    found = np.searchsorted(position / weight.sum(), shares)
    return [float(values[order[min(int(index), len(values) - 1)]]) for index in found]


def _log_student(theta: Floats, centre: Floats, covariance: Floats) -> Floats:
    """Log density, up to the constant that all proposals of one size share."""
    root = np.linalg.cholesky(covariance)
    offset = np.linalg.solve(root, (theta - centre).T)
    size = len(centre)
    spread = np.log1p((offset**2).sum(axis=0) / _PROPOSAL_FREEDOM)
    log_volume = np.log(np.diag(root)).sum()
    return np.asarray(-0.5 * (_PROPOSAL_FREEDOM + size) * spread - log_volume)


def _draw_student(
    centre: Floats, covariance: Floats, count: int, rng: np.random.Generator
) -> Floats:
    normal = rng.standard_normal((count, len(centre)))
    stretch = np.sqrt(_PROPOSAL_FREEDOM / rng.chisquare(_PROPOSAL_FREEDOM, count))
    return np.asarray(
        centre + (normal * stretch[:, None]) @ np.linalg.cholesky(covariance).T, float
    )


def _log_posterior(theta: Floats, shape: Shape, readings: Readings, prior: GrowthPrior) -> Floats:
    z = np.square((sigmoid(shape, theta, readings.age) - readings.value) / readings.sigma)
    size = shape.parameters
    root = np.linalg.cholesky(prior.covariance[:size, :size])
    departure = np.linalg.solve(root, (theta - prior.mean[:size]).T)
    loss = student_loss(z, STUDENT_FREEDOM) @ readings.weight + (departure**2).sum(axis=0)
    return np.asarray(-0.5 * loss)


def draw_posterior(
    fit: ShapeFit,
    *,
    readings: Readings,
    prior: GrowthPrior,
    rng: np.random.Generator,
    count: int = 2000,
) -> CurveDraws:
    """Weighted posterior draws of one shape's parameters; the weights sum to 1.

    Importance sampling from a mixture of Student's t around the most probable parameters and
    the prior; where too few draws count, the proposal moves to the draws' own mean and
    covariance (population Monte Carlo; Cappé et al., J. Comput. Graph. Stat. 13 (2004) 907,
    from memory).

    Parameters
    ----------
    fit : ShapeFit
        Most probable parameters and covariance, where the search starts.
    readings : Readings
        The points that the fit was made to.
    prior : GrowthPrior
        The prior that it was made with.
    rng : numpy.random.Generator
        The only source of randomness.
    count : int
        Number of draws.

    Returns
    -------
    CurveDraws
    """
    size = fit.shape.parameters
    prior_mean, prior_covariance = prior.mean[:size], prior.covariance[:size, :size]
    centre, covariance = fit.theta, fit.covariance
    from_prior = int(_FROM_PRIOR * count)
    best: CurveDraws | None = None
    for _ in range(_ROUNDS):
        theta = np.concatenate(
            [
                _draw_student(prior_mean, prior_covariance, from_prior, rng),
                _draw_student(centre, covariance, count - from_prior, rng),
            ]
        )
        log_proposal = np.logaddexp(
            np.log(_FROM_PRIOR) + _log_student(theta, prior_mean, prior_covariance),
            np.log1p(-_FROM_PRIOR) + _log_student(theta, centre, covariance),
        )
        log_weight = _log_posterior(theta, fit.shape, readings, prior) - log_proposal
        relative = np.exp(log_weight - log_weight.max())
        drawn = CurveDraws(fit.shape, theta, relative / relative.sum())
        if best is None or drawn.effective > best.effective:
            best = drawn
        if drawn.effective >= min(_ENOUGH_EFFECTIVE, count / 5.0):
            break
        centre = drawn.weight @ theta
        moved = (theta - centre).T @ (drawn.weight[:, None] * (theta - centre))
        # With few effective draws their covariance is too small and may be singular.
        covariance = moved + fit.covariance
    assert best is not None
    return best
