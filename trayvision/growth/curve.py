"""A run's growth curve: points and prior in, a curve that knows how sure it is out."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trayvision.growth.draws import CurveDraws, draw_posterior, weighted_quantiles
from trayvision.growth.fit import GrowthPoint, Readings, ShapeFit, fit_shape
from trayvision.growth.prior import GrowthPrior
from trayvision.growth.sigmoid import GrowthLandmarks, Shape, landmarks, sigmoid, sigmoid_jacobian

Floats = NDArray[np.float64]

# With fewer points AICc's small-sample term outweighs anything they could say on the shape.
_POINTS_TO_TELL_SHAPE = 6


@dataclass(frozen=True, eq=False)
class GrowthCurve:
    """The growth of one run, as a mixture of sigmoids weighted by AICc.

    Parameters
    ----------
    points : tuple of GrowthPoint
        In order of age.
    prior : GrowthPrior
        What the fit started from.
    fits : tuple of ShapeFit
        One per `Shape`, in its order.
    weights : tuple of float
        Akaike weights times the prior's shape weights, summing to 1; the prior's alone while
        there are too few points to tell the shape. Burnham & Anderson, Model Selection and
        Multimodel Inference (2002), 2.9 (from memory).
    """

    points: tuple[GrowthPoint, ...]
    prior: GrowthPrior
    fits: tuple[ShapeFit, ...]
    weights: tuple[float, ...]

    @property
    def best(self) -> ShapeFit:
        """The shape that the criterion chose."""
        return self.fits[int(np.argmax(self.weights))]

    @property
    def landmarks(self) -> GrowthLandmarks:
        """Asymptote, fastest growth and width of the chosen shape."""
        return landmarks(self.best.shape, self.best.theta)

    def at_ages(self, ages: ArrayLike) -> tuple[Floats, Floats]:
        """Expected values and standard uncertainties (k = 1) of the curve, shapes (n,).

        The uncertainty is the curve's own: parameters by the delta method, and the spread
        between the shapes. A single reading scatters more: see `interval`.
        """
        ages = np.atleast_1d(np.asarray(ages, float))
        mean, square = np.zeros(len(ages)), np.zeros(len(ages))
        for fit, weight in zip(self.fits, self.weights, strict=True):
            value = sigmoid(fit.shape, fit.theta, ages)
            slopes = sigmoid_jacobian(fit.shape, fit.theta, ages)
            variance = np.einsum("ni,ij,nj->n", slopes, fit.covariance, slopes)
            mean += weight * value
            square += weight * (variance + value**2)
        uncertainty = np.sqrt(np.maximum(square - mean**2, 0.0))
        return np.minimum(mean, self.prior.ceiling), uncertainty

    def at(self, age: float) -> tuple[float, float]:
        """Expected value and its standard uncertainty at one age, in the points' units."""
        value, uncertainty = self.at_ages([age])
        return float(value[0]), float(uncertainty[0])

    def interval(
        self, age: float, *, reading_uncertainty: float, coverage: float = 0.9
    ) -> tuple[float, float]:
        """Prediction interval of one further reading at `age`.

        Parameters
        ----------
        age : float
            In the unit of the points.
        reading_uncertainty : float
            Standard uncertainty of that reading, same unit as the values.
        coverage : float
            Share of readings that it should hold, outliers aside.

        Returns
        -------
        tuple of float
            Lower and upper end.
        """
        _check_coverage(coverage)
        value, uncertainty = self.at(age)
        spread = np.hypot(np.hypot(uncertainty, self.prior.wobble), reading_uncertainty)
        reach = float(NormalDist().inv_cdf(0.5 + coverage / 2.0) * spread)
        return value - reach, value + reach

    def draws(self, *, rng: np.random.Generator, per_shape: int = 2000) -> list[CurveDraws]:
        """Importance-sampled posterior draws of every shape that has any weight."""
        readings = _readings(self.points, self.prior)
        return [
            draw_posterior(
                fit, readings=readings, prior=self.prior, rng=rng, count=per_shape
            ).scaled(weight)
            for fit, weight in zip(self.fits, self.weights, strict=True)
            if weight > 0
        ]

    def band(
        self, ages: ArrayLike, *, rng: np.random.Generator, coverage: float = 0.9
    ) -> tuple[Floats, Floats, Floats]:
        """Lower, median and upper curve over `ages`, each (n,), from posterior draws.

        Unlike `at_ages` it follows the skewed spread of an early run and never leaves the
        range that a sigmoid can take.
        """
        _check_coverage(coverage)
        ages = np.atleast_1d(np.asarray(ages, float))
        draws = self.draws(rng=rng)
        values = np.concatenate([sigmoid(draw.shape, draw.theta, ages) for draw in draws])
        weight = np.concatenate([draw.weight for draw in draws])
        shares = (0.5 - coverage / 2.0, 0.5, 0.5 + coverage / 2.0)
        lines = np.array([weighted_quantiles(column, weight, shares) for column in values.T])
        lines = np.minimum(lines, self.prior.ceiling)
        return lines[:, 0], lines[:, 1], lines[:, 2]


def _check_coverage(coverage: float) -> None:
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"coverage must lie between 0 and 1, got {coverage!r}")


def fit_growth(points: Sequence[GrowthPoint], *, prior: GrowthPrior) -> GrowthCurve:
    """Growth curve of one run: all three sigmoids, weighted by AICc.

    A pure function of the set of points: the order in which they arrived does not change a bit
    of the result. Without points the curve is the prior's, with its full width.

    Parameters
    ----------
    points : sequence of GrowthPoint
        Readings of one quantity of one run; none is allowed.
    prior : GrowthPrior
        From `trayvision.growth.prior.published_prior` or
        `trayvision.growth.past_runs.learn_prior`, in the units of the points.

    Returns
    -------
    GrowthCurve
    """
    fits = tuple(fit_shape(points, shape=shape, prior=prior) for shape in Shape)
    return GrowthCurve(
        points=tuple(sorted(points)),
        prior=prior,
        fits=fits,
        weights=_shape_weights(fits, prior, _readings(points, prior).effective),
    )


def _readings(points: Sequence[GrowthPoint], prior: GrowthPrior) -> Readings:
    return Readings.of(points, wobble=prior.wobble, alike_within=prior.alike_within)


def _shape_weights(
    fits: tuple[ShapeFit, ...], prior: GrowthPrior, effective_points: float
) -> tuple[float, ...]:
    criteria = np.array([fit.aicc for fit in fits])
    if effective_points < _POINTS_TO_TELL_SHAPE or not isfinite(criteria.max()):
        return prior.shape_weights
    support = np.array(prior.shape_weights) * np.exp(-0.5 * (criteria - criteria.min()))
    if support.sum() == 0.0:
        return prior.shape_weights
    return tuple(float(share) for share in support / support.sum())
