"""Fits and forecasts of the room's runs, each worked out once for the same points.

All of these are pure functions of hashable arguments, so that a cache can only save time. What a
fit starts from is named by the points of the runs that teach it, not by the runs' numbers.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from service.run_readings import COVERAGE
from trayvision.growth_curve import GrowthCurve, fit_growth
from trayvision.growth_fit import GrowthPoint
from trayvision.growth_prior import GrowthPrior, Quantity, published_prior
from trayvision.harvest_forecast import HarvestForecast, HarvestTarget, forecast_harvest
from trayvision.past_runs import learn_prior
from trayvision.shelf_curves import SHELF_VARIANCE

Points = tuple[GrowthPoint, ...]


@dataclass(frozen=True)
class Teaching:
    """What a run's fit starts from.

    Parameters
    ----------
    quantity : Quantity
    grain : str
    room : tuple of Points
        Of the room's finished runs of that grain.
    shelf : tuple of Points
        Those of them that ended on the same shelf.
    """

    quantity: Quantity
    grain: str
    room: tuple[Points, ...] = ()
    shelf: tuple[Points, ...] = ()


@lru_cache(maxsize=256)
def taught_prior(teaching: Teaching) -> GrowthPrior:
    """Published ranges, moved by the room's own past runs, then by the shelf's."""
    quantity, grain = teaching.quantity, teaching.grain
    if not teaching.room:
        return published_prior(quantity, grain=grain)
    if not teaching.shelf:
        return learn_prior(
            past_curves(quantity, grain, teaching.room),
            parent=published_prior(quantity, grain=grain),
            group=f"{grain} in this room",
        )
    return learn_prior(
        past_curves(quantity, grain, teaching.shelf),
        parent=taught_prior(Teaching(quantity, grain, teaching.room)),
        group=f"{grain} on this shelf",
        group_variance=SHELF_VARIANCE,
    )


def past_curves(quantity: Quantity, grain: str, runs: tuple[Points, ...]) -> list[GrowthCurve]:
    """Curves of finished runs, each fitted from the published ranges alone."""
    return [fitted_curve(points, Teaching(quantity, grain)) for points in runs]


@lru_cache(maxsize=4096)
def fitted_curve(points: Points, teaching: Teaching) -> GrowthCurve:
    """The curve of one run."""
    return fit_growth(points, prior=taught_prior(teaching))


@lru_cache(maxsize=1024)
def band(
    points: Points, teaching: Teaching, ages: tuple[float, ...], seed: int
) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
    """Lower, median and upper curve over `ages`, as `GrowthCurve.band` gives them."""
    low, median, high = fitted_curve(points, teaching).band(
        ages, rng=np.random.default_rng(seed), coverage=COVERAGE
    )
    return tuple(low.tolist()), tuple(median.tolist()), tuple(high.tolist())


@lru_cache(maxsize=4096)
def harvest_forecast(
    points: Points, teaching: Teaching, target: HarvestTarget, seed: int
) -> HarvestForecast:
    """When a run meets its target."""
    return forecast_harvest(
        fitted_curve(points, teaching),
        target=target,
        rng=np.random.default_rng(seed),
        coverage=COVERAGE,
    )
