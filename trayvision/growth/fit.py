"""One sigmoid fitted to a run's points and its prior, robustly, with covariance and AICc."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from trayvision.growth.prior import GrowthPrior
from trayvision.growth.sigmoid import LOG_SKEW_LIMIT, Shape, sigmoid, sigmoid_jacobian

Floats = NDArray[np.float64]

# Degrees of freedom of Student's t for the readings: a reading ten uncertainties off then pulls
# less than one that is two off. K. L. Lange, R. J. A. Little, J. M. G. Taylor, J. Am. Stat.
# Assoc. 84 (1989) 881, find about 4 a good default (from memory).
STUDENT_FREEDOM = 4.0

# A standardised residual beyond this asks for a second start: the robust loss may have settled
# in a local minimum that calls good readings wrong.
_SUSPECT_RESIDUAL = 6.0
# Of their common uncertainty: up to that far apart two readings of one morning are taken to agree,
# from twice that on to contradict each other. What chance does to one pair in twenty; judgement.
_CONTRARY_SIGMAS = 2.0


@dataclass(frozen=True, slots=True, order=True)
class GrowthPoint:
    """One reading of a run.

    Parameters
    ----------
    age : float
        Age since spreading, in days, or thermal age in °C d.
    value : float
        Shoot height in mm, or cover as a share of the opening.
    uncertainty : float
        Standard uncertainty of `value`, same unit, positive.

    Raises
    ------
    ValueError
        If a number is not finite or the uncertainty is not positive.
    """

    age: float
    value: float
    uncertainty: float

    def __post_init__(self) -> None:
        for name in ("age", "value", "uncertainty"):
            if not isfinite(getattr(self, name)):
                raise ValueError(f"{name} must be finite, got {getattr(self, name)!r}")
        if self.uncertainty <= 0:
            raise ValueError(f"uncertainty must be positive, got {self.uncertainty!r}")


@dataclass(frozen=True, eq=False)
class ShapeFit:
    """A sigmoid at its most probable parameters.

    Parameters
    ----------
    shape : Shape
        Which sigmoid.
    theta : ndarray, shape (3,) or (4,)
        Parameters as in `Shape`.
    covariance : ndarray, shape (p, p)
        Their covariance (Laplace approximation, prior included).
    deviance : float
        Robust loss of the points, each by its weight; with `freedom` infinite the weighted
        residual sum of squares.
    effective_parameters : float
        How many parameters the points determine beyond the prior: the trace of the points'
        share of the total information, 0 without points.
    aicc : float
        Deviance + 2 k + 2 k (k + 1) / (n - k - 1) with k the effective parameters and n the
        effective number of points; inf when there are too few for it. Hurvich & Tsai, Biometrika
        76 (1989) 297.
    """

    shape: Shape
    theta: Floats
    covariance: Floats
    deviance: float
    effective_parameters: float
    aicc: float


@dataclass(frozen=True, eq=False)
class Readings:
    """The points of a run as arrays, in order of age.

    Parameters
    ----------
    age, value, sigma : ndarray, shape (n,)
        The prior's wobble is added to the stated uncertainties.
    weight : ndarray, shape (n,)
        For how many independent readings each counts, at most 1: readings taken close together
        are wrong together, and a hundred of one morning tell little more than a few.
    """

    age: Floats
    value: Floats
    sigma: Floats
    weight: Floats

    @classmethod
    def of(
        cls, points: Sequence[GrowthPoint], *, wobble: float, alike_within: float = 0.0
    ) -> "Readings":
        """Sorted, so that the order of arrival cannot change a bit of the result."""
        ordered = sorted(points)
        age = np.array([point.age for point in ordered], float)
        value = np.array([point.value for point in ordered], float)
        sigma = np.array([np.hypot(point.uncertainty, wobble) for point in ordered], float)
        weight = _independent_share(age, value, sigma, alike_within)
        return cls(age=age, value=value, sigma=sigma, weight=weight)

    @property
    def effective(self) -> float:
        """As how many independent readings all of them count."""
        return float(self.weight.sum())


def _independent_share(age: Floats, value: Floats, sigma: Floats, alike_within: float) -> Floats:
    """For how many independent readings each of some readings counts.

    One over the sum of its errors' correlations with all of them, which fall evenly from 1 at the
    same moment to 0 at `alike_within`. Of readings at one rate that is the effective number
    of G. V. Bayley, J. M. Hammersley, Suppl. J. R. Stat. Soc. 8 (1946) 184 (from memory); their
    log likelihoods count so much less, as for a composite likelihood (M. Ribatet, D. Cooley,
    A. C. Davison, Stat. Sinica 22 (2012) 813; from memory). Two that contradict each other are not
    wrong together: else a wrong one would take half of its voice from the right one beside it.
    """
    if alike_within == 0.0:
        return np.ones_like(age)
    apart = np.abs(age[:, None] - age) / alike_within
    contrary = np.abs(value[:, None] - value) / np.hypot(sigma[:, None], sigma)
    agree = np.clip(2.0 - contrary / _CONTRARY_SIGMAS, 0.0, 1.0)
    return np.asarray(1.0 / (np.maximum(1.0 - apart, 0.0) * agree).sum(axis=1))


def student_loss(z: Floats, freedom: float) -> Floats:
    """-2 log density of Student's t, up to a constant, of squared standardised residuals `z`."""
    if freedom == inf:
        return z
    return np.asarray((freedom + 1.0) * np.log1p(z / freedom))


def _loss_rows(freedom: float, weight: Floats) -> object:
    """Student's loss for the readings' rows, squares for the prior's, as scipy wants it."""
    readings = len(weight)

    def rho(z: Floats) -> Floats:
        rows = np.stack([z, np.ones_like(z), np.zeros_like(z)])
        if freedom != inf:
            robust = z[:readings]
            pull = (freedom + 1.0) / (freedom + robust)
            rows[0, :readings] = student_loss(robust, freedom)
            rows[1, :readings] = pull
            rows[2, :readings] = -pull / (freedom + robust)
        rows[:, :readings] *= weight
        return rows

    return rho


def _minimise(
    shape: Shape, readings: Readings, prior: GrowthPrior, start: Floats, loss: object
) -> tuple[Floats, float]:
    size = shape.parameters
    mean = prior.mean[:size]
    root = np.linalg.inv(np.linalg.cholesky(prior.covariance[:size, :size]))

    def rows(theta: Floats) -> Floats:
        misfit = (sigmoid(shape, theta, readings.age) - readings.value) / readings.sigma
        return np.concatenate([misfit, root @ (theta - mean)])

    def jacobian(theta: Floats) -> Floats:
        slopes = sigmoid_jacobian(shape, theta, readings.age) / readings.sigma[:, None]
        return np.concatenate([slopes, root])

    limit = np.full(size, np.inf)
    limit[3:] = LOG_SKEW_LIMIT
    result = least_squares(
        rows, np.clip(start, -limit, limit), jac=jacobian, bounds=(-limit, limit), loss=loss,
        x_scale="jac", ftol=1e-14, xtol=1e-14, gtol=1e-14, max_nfev=300,
    )  # fmt: skip
    return np.asarray(result.x, float), float(result.cost)


def _most_probable(shape: Shape, readings: Readings, prior: GrowthPrior, freedom: float) -> Floats:
    loss = _loss_rows(freedom, readings.weight)
    start = prior.mean[: shape.parameters]
    theta, cost = _minimise(shape, readings, prior, start, loss)
    residual = np.abs(sigmoid(shape, theta, readings.age) - readings.value) / readings.sigma
    if freedom == inf or np.all(residual < _SUSPECT_RESIDUAL):
        return theta
    # soft-L1 has hardly any local minima; from its answer the redescending loss is refined.
    coarse, _ = _minimise(shape, readings, prior, start, "soft_l1")
    refined, refined_cost = _minimise(shape, readings, prior, coarse, loss)
    return refined if refined_cost < cost else theta


def fit_shape(
    points: Sequence[GrowthPoint],
    *,
    shape: Shape,
    prior: GrowthPrior,
    freedom: float = STUDENT_FREEDOM,
) -> ShapeFit:
    """Most probable parameters of one sigmoid, given a run's points and what is known before.

    Parameters
    ----------
    points : sequence of GrowthPoint
        Any number, none included, in any order.
    shape : Shape
        Which sigmoid.
    prior : GrowthPrior
        In the units of the points; its `wobble` is added to their uncertainties.
    freedom : float
        Degrees of freedom of Student's t for the readings; ``math.inf`` for weighted least
        squares.

    Returns
    -------
    ShapeFit

    Raises
    ------
    ValueError
        If `freedom` is not positive.
    """
    if not freedom > 0:
        raise ValueError(f"freedom must be positive, got {freedom!r}")
    readings = Readings.of(points, wobble=prior.wobble, alike_within=prior.alike_within)
    theta = _most_probable(shape, readings, prior, freedom)
    z = np.square((sigmoid(shape, theta, readings.age) - readings.value) / readings.sigma)
    slopes = sigmoid_jacobian(shape, theta, readings.age) / readings.sigma[:, None]
    weight = readings.weight
    if freedom != inf:
        # Expected curvature where the reading fits, falling to none where it is an outlier.
        robust = np.minimum(1.0, (freedom + 1.0) / (freedom + z))
        weight = weight * (freedom + 1.0) / (freedom + 3.0) * robust
    information = slopes.T @ (weight[:, None] * slopes)
    size = shape.parameters
    covariance = np.linalg.inv(information + np.linalg.inv(prior.covariance[:size, :size]))
    effective = float(np.trace(covariance @ information))
    deviance = float((readings.weight * student_loss(z, freedom)).sum())
    spare = readings.effective - effective - 1.0
    correction = 2.0 * effective * (effective + 1.0) / spare if spare > 0 else inf
    return ShapeFit(
        shape=shape,
        theta=theta,
        covariance=(covariance + covariance.T) / 2.0,
        deviance=deviance,
        effective_parameters=effective,
        aicc=deviance + 2.0 * effective + correction,
    )
