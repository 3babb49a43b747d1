"""How curves, priors, bands and forecasts stand in a file: as JSON, exact to the last digit."""

from dataclasses import asdict, fields
from typing import Any, Final

import numpy as np

from service.growth.kept_fits import Kind
from trayvision.growth.curve import GrowthCurve
from trayvision.growth.fit import GrowthPoint, ShapeFit
from trayvision.growth.harvest_forecast import HarvestForecast
from trayvision.growth.prior import GrowthPrior
from trayvision.growth.sigmoid import Shape

# Lower, median and upper curve.
Band = tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]


def _curve_said(curve: GrowthCurve) -> Any:
    fits = [[_plain(getattr(fit, one.name)) for one in fields(fit)] for fit in curve.fits]
    return {"fits": fits, "weights": list(curve.weights)}


def curve_from(said: Any, points: tuple[GrowthPoint, ...], prior: GrowthPrior) -> GrowthCurve:
    """A curve, of the points and the prior that its name was made of."""
    fits = tuple(_fit_from(*fit) for fit in said["fits"])
    if len(fits) != len(Shape):
        raise ValueError(f"a curve has {len(Shape)} fits, got {len(fits)}")
    return GrowthCurve(tuple(sorted(points)), prior, fits, tuple(said["weights"]))


def _fit_from(
    shape: str, theta: list[float], covariance: list[list[float]], *figures: float
) -> ShapeFit:
    deviance, parameters, aicc = figures
    return ShapeFit(Shape(shape), np.array(theta), np.array(covariance), deviance, parameters, aicc)


def _prior_said(prior: GrowthPrior) -> Any:
    return {one.name: _plain(getattr(prior, one.name)) for one in fields(prior)}


def prior_from(said: Any) -> GrowthPrior:
    """A prior."""
    return GrowthPrior(**{**said, "shape_weights": tuple(said["shape_weights"])})


def band_from(said: Any) -> Band:
    """A band."""
    low, median, high = (tuple(line) for line in said)
    return low, median, high


def forecast_from(said: Any) -> HarvestForecast:
    """A forecast."""
    return HarvestForecast(**said)


def _plain(value: object) -> Any:
    return value.tolist() if isinstance(value, np.ndarray) else value


CURVE: Final = Kind("curve", _curve_said)
PRIOR: Final = Kind("prior", _prior_said)
BAND: Final[Kind[Band]] = Kind("band", list)
FORECAST: Final[Kind[HarvestForecast]] = Kind("forecast", asdict)
