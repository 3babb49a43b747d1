"""Fits and forecasts of the room's runs, each worked out once for the same points.

All of these are pure functions of hashable arguments, so that a cache can only save time. What a
fit starts from is named by the points of the runs that teach it, not by the runs' numbers.
"""

from dataclasses import replace
from datetime import datetime, timedelta
from functools import lru_cache

import numpy as np

from service.growth.fit_texts import (
    BAND,
    CURVE,
    FORECAST,
    PRIOR,
    Band,
    band_from,
    curve_from,
    forecast_from,
    prior_from,
)
from service.growth.kept_fits import FITS
from service.growth.run_series import COVERAGE, DIGITS, RunReadings, rounded
from service.growth.teachings import Points, Teaching, points_mark
from service.models.growth import Forecast
from trayvision.growth.curve import GrowthCurve, fit_growth
from trayvision.growth.harvest_forecast import HarvestForecast, HarvestTarget, forecast_harvest
from trayvision.growth.past_runs import LOT_VARIANCE, learn_prior, of_both
from trayvision.growth.prior import GrowthPrior, Quantity, published_prior
from trayvision.growth.shelf_curves import SHELF_VARIANCE, ShelfCurve, shelf_curve


def taught_prior(teaching: Teaching) -> GrowthPrior:
    """Published ranges, moved by the room's own past runs, then by the shelf's and the seed's."""
    if not teaching.room:
        return _published(teaching)
    return FITS.of(
        PRIOR, (teaching.mark,), work_out=lambda: _learned_prior(teaching), read=prior_from
    )


@lru_cache(maxsize=64)
def _published(teaching: Teaching) -> GrowthPrior:
    return published_prior(teaching.quantity, grain=teaching.grain, thermal=teaching.thermal)


def _learned_prior(teaching: Teaching) -> GrowthPrior:
    grain = teaching.grain
    if not (teaching.shelf or teaching.lot):
        return learn_prior(
            past_curves(teaching, teaching.room),
            parent=taught_prior(teaching.published),
            group=f"{grain} in this room",
        )
    room = taught_prior(teaching.of_room)
    if teaching.shelf and teaching.lot:
        one, other = replace(teaching, lot=()), replace(teaching, shelf=())
        return of_both(taught_prior(one), taught_prior(other), room=room)
    return learn_prior(
        past_curves(teaching, teaching.shelf or teaching.lot),
        parent=room,
        group=f"{grain} {'on this shelf' if teaching.shelf else 'of this seed'}",
        group_variance=SHELF_VARIANCE if teaching.shelf else LOT_VARIANCE,
    )


def past_curves(teaching: Teaching, runs: tuple[Points, ...]) -> list[GrowthCurve]:
    """Curves of finished runs, each fitted from the published ranges alone."""
    published = teaching.published
    return [fitted_curve(points, published) for points in runs]


def fitted_curve(points: Points, teaching: Teaching) -> GrowthCurve:
    """The curve of one run."""
    return FITS.of(
        CURVE,
        (points_mark(points), teaching.mark),
        work_out=lambda: fit_growth(points, prior=taught_prior(teaching)),
        read=lambda said: curve_from(said, points, taught_prior(teaching)),
    )


def band(points: Points, teaching: Teaching, ages: tuple[float, ...], seed: int) -> Band:
    """Lower, median and upper curve over `ages`, as exactly as curves are given out."""
    digits = DIGITS[teaching.quantity]

    def drawn() -> Band:
        low, median, high = (
            tuple(rounded(line, digits))
            for line in fitted_curve(points, teaching).band(
                ages, rng=np.random.default_rng(seed), coverage=COVERAGE
            )
        )
        return low, median, high

    marks = (points_mark(points), teaching.mark, ages, seed)
    return FITS.of(BAND, marks, work_out=drawn, read=band_from)


def harvest_forecast(
    points: Points, teaching: Teaching, target: HarvestTarget, seed: int
) -> HarvestForecast:
    """When a run meets its target."""
    return FITS.of(
        FORECAST,
        (points_mark(points), teaching.mark, target.value, target.day, seed),
        work_out=lambda: forecast_harvest(
            fitted_curve(points, teaching),
            target=target,
            rng=np.random.default_rng(seed),
            coverage=COVERAGE,
        ),
        read=forecast_from,
    )


@lru_cache(maxsize=256)
def shelf_usual(
    teaching: Teaching, shelf_id: int, name: str, ages: tuple[float, ...]
) -> ShelfCurve:
    """What is usual on a shelf against the room's average."""
    return shelf_curve(
        past_curves(teaching, teaching.shelf),
        room=taught_prior(teaching.of_room),
        shelf=name,
        ages=ages,
        rng=np.random.default_rng(shelf_id),
        coverage=COVERAGE,
    )


def forecast_out(readings: RunReadings, forecast: HarvestForecast | None) -> Forecast:
    """A forecast in moments, to the second; None, and nothing forecast, without a target."""
    target = readings.target
    if target is None or forecast is None:
        return Forecast(coverage=COVERAGE)

    def moment(hours: float | None) -> datetime | None:
        if hours is None:
            return None
        return (readings.span.spread_at + timedelta(hours=hours)).replace(microsecond=0)

    uncertainty = forecast.standard_uncertainty_hours
    return Forecast(
        target_shoot_height_mm=target.value,
        target_day=target.day,
        harvest_at=moment(forecast.median_hours),
        low_at=moment(forecast.low_hours),
        high_at=moment(forecast.high_hours),
        coverage=forecast.coverage,
        probability_met=round(forecast.probability_met, 4),
        standard_uncertainty_hours=None if uncertainty is None else round(uncertainty, 2),
        by_days_alone=not readings.points(Quantity.HEIGHT),
    )
