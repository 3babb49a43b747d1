"""Shoot height over thermal time, where the room's readings carry it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache

import numpy as np
import sqlalchemy as sa

from service.entries import current
from service.growth_fits import Points, Teaching, band, fitted_curve
from service.log_memory import LogMemory, Seen, news
from service.models.growth import ThermalCurve, ThermalPoint
from service.run_readings import COVERAGE, RunReadings, forecast_out, rounded
from service.schema import READING
from trayvision.growth_prior import Quantity
from trayvision.harvest_forecast import HarvestForecast, HarvestTarget, forecast_harvest
from trayvision.thermal_growth import ThermalClock, thermal_points
from trayvision.thermal_time import RoomReading, TemperatureResponse, ThermalTime, thermal_time

_DRAWN_DEGREE_DAYS = 180.0
_STEP_DEGREE_DAYS = 5.0
# How far the next days' mean may lie from the past days': a room held to within a degree or so.
# Judgement.
_AHEAD_UNCERTAINTY_C = 1.0
_MOST_KEPT = 2000


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
    times = _ThermalTimes(connection)
    past = times.of(readings)
    points = _thermal_points(readings.points(Quantity.HEIGHT), past)
    until = past.known_until_hours
    if not points or until is None or past.mean_c is None or past.mean_c <= 0:
        return None
    teaching = _teaching(times, readings, finished)
    ages = _ages([point.age for point in points])
    span = readings.span
    low, median, high = band(points, teaching, ages, span.id)
    return ThermalCurve(
        known_until=(span.spread_at + timedelta(hours=until)).replace(microsecond=0),
        mean_c=round(past.mean_c, 2),
        points=_points_out(readings, past),
        degree_days=rounded(ages, 1),
        median=rounded(median, 2),
        low=rounded(low, 2),
        high=rounded(high, 2),
        coverage=COVERAGE,
        forecast=forecast_out(
            readings, _forecast(points, teaching, readings.target, span.id, past)
        ),
        prior=fitted_curve(points, teaching).prior.origin,
    )


class _ThermalTimes:
    """Thermal times of runs, kept from one answer to the next."""

    def __init__(self, connection: sa.Connection) -> None:
        self._connection = connection
        self._kept = _KEPT_TIMES.of(connection)

    def of(self, readings: RunReadings) -> ThermalTime:
        """Of the shelf's own thermometer where it has one, else of the room's."""
        air = _Air(readings.span.spread_at, readings.span.until, readings.shelf_id)
        if air not in self._kept:
            shelf_id = air.shelf_id
            own = [] if shelf_id is None else _temperatures(self._connection, air, shelf_id)
            there = own or _temperatures(self._connection, air, None)
            self._kept[air] = thermal_time(there, response=TemperatureResponse())
        return self._kept[air]


@dataclass(frozen=True)
class _Air:
    """Where and when a run stood."""

    spread_at: datetime
    until: datetime
    shelf_id: int | None

    @property
    def since(self) -> datetime:
        """From when readings count; they need not begin with the run."""
        return self.spread_at - timedelta(days=1)


def _renewed(
    connection: sa.Connection, before: tuple[dict[_Air, ThermalTime], Seen] | None
) -> dict[_Air, ThermalTime]:
    """What was kept, without the runs in whose time something new was read."""
    if before is None or len(before[0]) > _MOST_KEPT:
        return {}
    kept, seen = before
    moments: set[datetime] = news(connection, READING, seen, READING.c.read_at)
    first, last = min(moments), max(moments)
    # Copied at once, since others may add to it meanwhile.
    return {air: one for air, one in kept.copy().items() if last < air.since or air.until <= first}


_KEPT_TIMES = LogMemory((READING,), _renewed)


def _temperatures(connection: sa.Connection, air: _Air, shelf_id: int | None) -> list[RoomReading]:
    now = current(READING)
    statement = sa.select(now.c.read_at, now.c.temperature_c).where(
        now.c.temperature_c.is_not(None),
        now.c.shelf_id.is_(None) if shelf_id is None else now.c.shelf_id == shelf_id,
        now.c.read_at >= air.since,
        now.c.read_at < air.until,
    )
    return [
        RoomReading((row.read_at - air.spread_at).total_seconds() / 3600, row.temperature_c)
        for row in connection.execute(statement)
    ]


@lru_cache(maxsize=2048)
def _thermal_points(points: Points, past: ThermalTime) -> Points:
    return thermal_points(points, past=past)


def _teaching(
    times: _ThermalTimes, readings: RunReadings, finished: Sequence[RunReadings]
) -> Teaching:
    grain = readings.grain
    past = (
        _thermal_points(other.points(Quantity.HEIGHT), times.of(other))
        for other in finished
        if other.grain == grain and other.span.id != readings.span.id
    )
    room = tuple(points for points in past if points)
    return Teaching(Quantity.HEIGHT, grain, room, thermal=True)


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


@lru_cache(maxsize=1024)
def _forecast(
    points: Points, teaching: Teaching, target: HarvestTarget, run: int, past: ThermalTime
) -> HarvestForecast:
    rng = np.random.default_rng(run)
    assert past.mean_c is not None
    clock = ThermalClock(past, past.mean_c, _AHEAD_UNCERTAINTY_C, rng)
    return forecast_harvest(
        fitted_curve(points, teaching),
        target=target,
        rng=rng,
        clock=clock.hours_at,
        coverage=COVERAGE,
    )


def _ages(degree_days: Sequence[float]) -> tuple[float, ...]:
    last = max([_DRAWN_DEGREE_DAYS, *degree_days])
    return tuple(np.arange(0.0, last + _STEP_DEGREE_DAYS, _STEP_DEGREE_DAYS).tolist())
