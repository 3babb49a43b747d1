"""Growth over thermal time, where the room's readings carry it."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property, lru_cache
from math import ceil
from weakref import WeakKeyDictionary

import numpy as np
import sqlalchemy as sa

from service.growth.fit_texts import FORECAST, forecast_from
from service.growth.growth_fits import band, fitted_curve, forecast_out, shelf_usual
from service.growth.kept_fits import FITS, hash_of
from service.growth.run_air import RunPlaces, temperatures
from service.growth.run_series import COVERAGE, DIGITS, UNITS, RunReadings, rounded
from service.growth.teachings import Points, Teaching, Teachings, points_mark
from service.log.log_memory import LogMemory, Seen, news
from service.log.schema import READING
from service.models.growth import (
    ThermalCurve,
    ThermalFit,
    ThermalPoint,
    ThermalQuantity,
    ThermalUsual,
)
from service.runs.run_calendar import run_calendar
from service.runs.run_places import PLACES, stood_on
from trayvision.growth.harvest_forecast import HarvestForecast, HarvestTarget, forecast_harvest
from trayvision.growth.prior import Quantity
from trayvision.growth.thermal_growth import ThermalClock, thermal_points
from trayvision.growth.thermal_time import TemperatureResponse, ThermalTime, thermal_time

_DRAWN_DEGREE_DAYS = 180.0
_STEP_DEGREE_DAYS = 5.0
# How far the next days' mean may lie from the past days': a room held to within a degree or so.
# Judgement.
_AHEAD_UNCERTAINTY_C = 1.0
_MOST_KEPT = 2000


class ThermalGrowth:
    """Height and cover over °C d of one answer's runs.

    Parameters
    ----------
    connection : Connection
    finished : tuple of RunReadings
        The room's finished runs, from which the fits start.
    """

    def __init__(self, connection: sa.Connection, finished: tuple[RunReadings, ...]) -> None:
        self._connection = connection
        self._finished = finished
        self._kept = _KEPT_TIMES.of(connection)
        self._places, self._calendar = PLACES.of(connection), run_calendar(connection)

    def curve(self, readings: RunReadings) -> ThermalCurve | None:
        """One run's; None where the readings do not carry any point."""
        air = self._air(readings)
        past, until = air.past, air.past.known_until_hours
        carried = any(air.points(readings.points(quantity)) for quantity in Quantity)
        if not carried or until is None or past.mean_c is None or past.mean_c <= 0:
            return None
        span = readings.span
        teaching = self.teachings.for_run(Quantity.HEIGHT, readings)
        points = air.points(readings.points(Quantity.HEIGHT))
        target = readings.target
        forecast = None if target is None else _forecast(points, teaching, target, span.id, air)
        return ThermalCurve(
            known_until=(span.spread_at + timedelta(hours=until)).replace(microsecond=0),
            mean_c=round(past.mean_c, 2),
            height=self._quantity(readings, Quantity.HEIGHT, air),
            cover=self._quantity(readings, Quantity.COVER, air),
            forecast=forecast_out(readings, forecast),
        )

    def usual(
        self, quantity: Quantity, grain: str, shelf_id: int, name: str
    ) -> ThermalUsual | None:
        """What is usual on a shelf; None where no finished run's warmth is known."""
        teaching = self.teachings.of(quantity, grain, shelf_id)
        if not teaching.room:
            return None
        curve, digits = shelf_usual(teaching, shelf_id, name, _ages(())), DIGITS[quantity] + 1
        return ThermalUsual(
            runs=curve.runs,
            degree_days=rounded(curve.ages, 1),
            mean=rounded(curve.mean, digits),
            mean_uncertainty=rounded(curve.mean_uncertainty, digits),
            run_low=rounded(curve.run_low, digits),
            run_high=rounded(curve.run_high, digits),
            lag_degree_days=round(curve.lag, 2),
            lag_uncertainty_degree_days=round(curve.lag_uncertainty, 2),
            prior=curve.prior.origin,
        )

    @cached_property
    def teachings(self) -> Teachings:
        """What the finished runs teach over °C d; the same object while it is the same air."""
        pool = self._connection.engine.pool
        known = _TEACHINGS.get(pool)
        if known is None or known[0] is not self._finished or known[1] is not self._kept:
            airs = {one.span.id: self._air(one) for one in self._finished}

            def points_of(run: RunReadings, quantity: Quantity) -> Points:
                return airs[run.span.id].points(run.points(quantity))

            teachings = Teachings(self._finished, thermal_points=points_of)
            known = _TEACHINGS[pool] = self._finished, self._kept, teachings
        return known[2]

    def _quantity(
        self, readings: RunReadings, quantity: Quantity, air: "_RunAir"
    ) -> ThermalQuantity:
        points = air.points(readings.points(quantity))
        teaching = self.teachings.for_run(quantity, readings)
        ages = _ages([point.age for point in points])
        low, median, high = band(points, teaching, ages, readings.span.id)
        curve = fitted_curve(points, teaching)
        return ThermalQuantity(
            quantity=str(quantity),
            unit=UNITS[quantity],
            points=_points_out(readings, quantity, air.past),
            fitted=ThermalFit(
                shape=curve.best.shape.name.lower(),
                degree_days=ages,
                median=median,
                low=low,
                high=high,
                coverage=COVERAGE,
                prior=curve.prior.origin,
            ),
        )

    def _air(self, readings: RunReadings) -> "_RunAir":
        """Of each shelf's own thermometer while it stood there, else of the room's."""
        span = readings.span
        stood = stood_on(self._places, self._calendar, span)
        air = RunPlaces(span.spread_at, span.until, stood)
        if air not in self._kept:
            there = temperatures(self._connection, air)
            self._kept[air] = _RunAir(thermal_time(there, response=TemperatureResponse()))
        return self._kept[air]


@dataclass(frozen=True, eq=False)
class _RunAir:
    """Thermal time of one run, and its readings over it."""

    past: ThermalTime
    _points: dict[str, Points] = field(default_factory=dict)

    def points(self, points: Points) -> Points:
        """Readings by °C d instead of days; the same object for the same ones."""
        mark = points_mark(points)
        if mark not in self._points:
            self._points[mark] = thermal_points(points, past=self.past)
        return self._points[mark]

    @cached_property
    def mark(self) -> str:
        """Hash of all that a clock reads from it."""
        past = self.past
        return hash_of([repr((past.hours.tolist(), past.degree_days.tolist(), past.mean_c))])


def _renewed(
    connection: sa.Connection, before: tuple[dict[RunPlaces, _RunAir], Seen] | None
) -> dict[RunPlaces, _RunAir]:
    """What was kept, without the runs in whose time something new was read."""
    if before is None or len(before[0]) > _MOST_KEPT:
        return {}
    kept, seen = before
    moments: set[datetime] = news(connection, READING, seen, READING.c.read_at)
    first, last = min(moments), max(moments)
    # Copied at once, since others may add to it meanwhile.
    return {air: one for air, one in kept.copy().items() if last < air.since or air.until <= first}


_KEPT_TIMES = LogMemory((READING,), _renewed)
# With the runs and the air that they follow from.
_TEACHINGS: WeakKeyDictionary[
    sa.Pool, tuple[tuple[RunReadings, ...], dict[RunPlaces, _RunAir], Teachings]
] = WeakKeyDictionary()


def _points_out(readings: RunReadings, quantity: Quantity, past: ThermalTime) -> list[ThermalPoint]:
    points = readings.curve_points(quantity)
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


def _forecast(
    points: Points, teaching: Teaching, target: HarvestTarget, run: int, air: _RunAir
) -> HarvestForecast:
    mean_c = air.past.mean_c
    assert mean_c is not None

    def drawn() -> HarvestForecast:
        rng = np.random.default_rng(run)
        clock = ThermalClock(air.past, mean_c, _AHEAD_UNCERTAINTY_C, rng)
        return forecast_harvest(
            fitted_curve(points, teaching),
            target=target,
            rng=rng,
            clock=clock.hours_at,
            coverage=COVERAGE,
        )

    marks = (points_mark(points), teaching.mark, target.value, target.day, run, air.mark)
    return FITS.of(FORECAST, marks, work_out=drawn, read=forecast_from)


def _ages(degree_days: Sequence[float]) -> tuple[float, ...]:
    last = max([_DRAWN_DEGREE_DAYS, *degree_days])
    return _degree_days_drawn(ceil(last / _STEP_DEGREE_DAYS) + 1)


@lru_cache(maxsize=64)
def _degree_days_drawn(count: int) -> tuple[float, ...]:
    return tuple(_STEP_DEGREE_DAYS * number for number in range(count))
