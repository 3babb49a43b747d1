"""Shoot height over thermal time, where the room's readings carry it."""

from collections.abc import Sequence
from datetime import timedelta

import numpy as np
import sqlalchemy as sa

from service.entries import current
from service.models.growth import ThermalCurve, ThermalPoint
from service.run_readings import COVERAGE, RunReadings, forecast_out, rounded
from service.schema import READING
from trayvision.growth_curve import GrowthCurve, fit_growth
from trayvision.growth_prior import GrowthPrior, Quantity, published_prior
from trayvision.harvest_forecast import HarvestForecast, forecast_harvest
from trayvision.past_runs import learn_prior
from trayvision.thermal_growth import ThermalClock, thermal_points
from trayvision.thermal_time import RoomReading, TemperatureResponse, ThermalTime, thermal_time

_DRAWN_DEGREE_DAYS = 180.0
_STEP_DEGREE_DAYS = 5.0
# How far the next days' mean may lie from the past days': a room held to within a degree or so.
# Judgement.
_AHEAD_UNCERTAINTY_C = 1.0


def thermal_curve(
    connection: sa.Connection, readings: RunReadings, finished: Sequence[RunReadings]
) -> ThermalCurve | None:
    """Height over °C d since spreading; None where the readings do not carry any point.

    Parameters
    ----------
    connection : Connection
    readings : RunReadings
        The run.
    finished : sequence of RunReadings
        The room's finished runs, from which the fit starts.
    """
    past = _thermal_time(connection, readings)
    points = thermal_points(readings.points(Quantity.HEIGHT), past=past)
    until = past.known_until_hours
    if not points or until is None or past.mean_c is None or past.mean_c <= 0:
        return None
    curve = fit_growth(points, prior=_prior(connection, readings, finished))
    ages = _ages([point.age for point in points])
    span = readings.span
    low, median, high = curve.band(ages, rng=np.random.default_rng(span.id), coverage=COVERAGE)
    return ThermalCurve(
        known_until=(span.spread_at + timedelta(hours=until)).replace(microsecond=0),
        mean_c=round(past.mean_c, 2),
        points=_points_out(readings, past),
        degree_days=rounded(ages, 1),
        median=rounded(median, 2),
        low=rounded(low, 2),
        high=rounded(high, 2),
        coverage=COVERAGE,
        forecast=forecast_out(readings, _forecast(readings, curve, past)),
        prior=curve.prior.origin,
    )


def _thermal_time(connection: sa.Connection, readings: RunReadings) -> ThermalTime:
    """Of the shelf's own thermometer where it has one, else of the room's."""
    own = (
        [] if readings.shelf_id is None else _temperatures(connection, readings, readings.shelf_id)
    )
    air = own or _temperatures(connection, readings, None)
    return thermal_time(air, response=TemperatureResponse())


def _temperatures(
    connection: sa.Connection, readings: RunReadings, shelf_id: int | None
) -> list[RoomReading]:
    now, start = current(READING), readings.span.spread_at
    statement = sa.select(now.c.read_at, now.c.temperature_c).where(
        now.c.temperature_c.is_not(None),
        now.c.shelf_id.is_(None) if shelf_id is None else now.c.shelf_id == shelf_id,
        now.c.read_at >= start - timedelta(days=1),
        now.c.read_at < readings.span.until,
    )
    return [
        RoomReading((row.read_at - start).total_seconds() / 3600, row.temperature_c)
        for row in connection.execute(statement)
    ]


def _prior(
    connection: sa.Connection, readings: RunReadings, finished: Sequence[RunReadings]
) -> GrowthPrior:
    grain = readings.grain
    published = published_prior(Quantity.HEIGHT, grain=grain, thermal=True)
    past = [
        fit_growth(points, prior=published)
        for other in finished
        if other.grain == grain and other.span.id != readings.span.id
        for points in [
            thermal_points(other.points(Quantity.HEIGHT), past=_thermal_time(connection, other))
        ]
        if points
    ]
    return learn_prior(past, parent=published, group=f"{grain} in this room") if past else published


def _points_out(readings: RunReadings, past: ThermalTime) -> list[ThermalPoint]:
    points = readings.curve_points(Quantity.HEIGHT)
    ages = past.at([point.day * 24.0 for point in points])
    return [
        ThermalPoint(
            photo_id=point.photo_id,
            degree_days=round(float(age), 2),
            value=point.value,
            uncertainty=point.uncertainty,
        )
        for point, age in zip(points, ages, strict=True)
        if np.isfinite(age)
    ]


def _forecast(readings: RunReadings, curve: GrowthCurve, past: ThermalTime) -> HarvestForecast:
    rng = np.random.default_rng(readings.span.id)
    assert past.mean_c is not None
    clock = ThermalClock(past, past.mean_c, _AHEAD_UNCERTAINTY_C, rng)
    return forecast_harvest(
        curve, target=readings.target, rng=rng, clock=clock.hours_at, coverage=COVERAGE
    )


def _ages(degree_days: Sequence[float]) -> np.ndarray:
    last = max([_DRAWN_DEGREE_DAYS, *degree_days])
    return np.arange(0.0, last + _STEP_DEGREE_DAYS, _STEP_DEGREE_DAYS)
