"""Growth curves and harvest forecasts of the room, worked out from the log whenever asked.

Nothing of this is stored: a late photo, a corrected date or a measured-again photo changes what
follows by itself. Draws are seeded by the run, so that the same log gives the same bytes.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache

import numpy as np
import sqlalchemy as sa

from service.inspection_log import tray_rows
from service.models.growth import (
    CurvePoint,
    FittedCurve,
    Forecast,
    QuantityCurve,
    RunCurves,
    ShelfCurves,
    ShelfUsual,
)
from service.models.room import Room
from service.models.runs import Run
from service.room_log import Row, one, shelf_of
from service.run_log import RunSpan, run_out, run_spans, span_of
from service.schema import SHELF
from trayvision.growth_curve import GrowthCurve, fit_growth
from trayvision.growth_fit import GrowthPoint
from trayvision.growth_prior import GrowthPrior, Quantity, published_prior
from trayvision.harvest_forecast import HarvestTarget, forecast_harvest
from trayvision.past_runs import learn_prior
from trayvision.shelf_curves import SHELF_VARIANCE, shelf_curve

COVERAGE = 0.9
# Curves are drawn at least as far as the last day on which growers harvest, every 6 hours.
_DRAWN_DAYS = 9.0
_STEP_DAYS = 0.25
# A cover of exactly 0 or 1 may come with no uncertainty; a fit must not hang on one reading.
_LEAST_UNCERTAINTY = {Quantity.HEIGHT: 0.5, Quantity.COVER: 0.005}
_COLUMNS = {
    Quantity.HEIGHT: ("shoot_height_mm", "shoot_height_uncertainty_mm", "mm"),
    Quantity.COVER: ("cover", "cover_uncertainty", "1"),
}


@dataclass(frozen=True)
class RunReadings:
    """One run with its place and all readings of its tray between its start and its end."""

    span: RunSpan
    run: Run
    shelf_id: int | None
    rows: tuple[Row, ...]

    def points(self, quantity: Quantity) -> tuple[GrowthPoint, ...]:
        """Readings of one quantity by age in days, for the fit."""
        return tuple(
            GrowthPoint(point.day, point.value, point.uncertainty)
            for point in self.curve_points(quantity)
        )

    def curve_points(self, quantity: Quantity) -> list[CurvePoint]:
        """The same with their photos."""
        value, uncertainty, _ = _COLUMNS[quantity]
        return [
            CurvePoint(
                photo_id=row["photo_id"],
                taken_at=row["taken_at"],
                day=_days(row["taken_at"] - self.run.spread_at),
                value=row[value],
                uncertainty=max(row[uncertainty], _LEAST_UNCERTAINTY[quantity]),
                watering=row["watering"],
            )
            for row in self.rows
            if row[value] is not None and row[uncertainty] is not None
        ]


class RoomGrowth:
    """All that one answer needs of the room's growth, on one open connection.

    Parameters
    ----------
    connection : Connection
    room : Room
    now : aware datetime
    """

    def __init__(self, connection: sa.Connection, room: Room, now: datetime) -> None:
        self._connection = connection
        self._room = room
        self._now = now
        self._spans = run_spans(connection)
        self._finished: list[RunReadings] | None = None

    @property
    def spans(self) -> list[RunSpan]:
        """All runs, by tray and oldest first."""
        return self._spans

    def readings(self, span: RunSpan) -> RunReadings:
        """A run with its readings."""
        rows = tray_rows(self._connection, span.tray_id, since=span.spread_at, until=span.ended_at)
        at = self._now if span.ended_at is None else span.ended_at - timedelta(seconds=1)
        return RunReadings(
            span,
            run_out(self._connection, span, room=self._room, now=self._now),
            shelf_of(self._connection, span.tray_id, at),
            tuple(rows),
        )

    def curves(self, readings: RunReadings) -> RunCurves:
        """Points, curves and forecast of one run."""
        height = self._fit(readings, Quantity.HEIGHT)
        run = readings.run
        return RunCurves(
            run_id=run.id,
            tray=run.tray,
            shelf_id=readings.shelf_id,
            grain=run.grain,
            spread_at=run.spread_at,
            soaked_at=run.soaked_at,
            ended_at=run.ended_at,
            height=_drawn(readings, Quantity.HEIGHT, height),
            cover=_drawn(readings, Quantity.COVER, self._fit(readings, Quantity.COVER)),
            forecast=_forecast(run, height),
        )

    def forecast(self, readings: RunReadings) -> Forecast:
        """When a run meets its target."""
        return _forecast(readings.run, self._fit(readings, Quantity.HEIGHT))

    def shelf(self, shelf_id: int) -> ShelfCurves:
        """Runs of a shelf, by age, and what is usual there. Raises NotFound."""
        name = one(self._connection, SHELF, shelf_id)["name"]
        here = [
            readings
            for readings in map(self.readings, self._spans)
            if readings.shelf_id == shelf_id
        ]
        return ShelfCurves(
            shelf_id=shelf_id,
            shelf=name,
            runs=[self.curves(readings) for readings in here],
            usual=self._usual(shelf_id, name),
        )

    def _usual(self, shelf_id: int, name: str) -> ShelfUsual:
        grain, quantity = self._room.grain, Quantity.HEIGHT
        curve = shelf_curve(
            self._past(quantity, grain, shelf_id=shelf_id),
            room=self._room_prior(quantity, grain),
            shelf=name,
            ages=_ages(()),
            rng=np.random.default_rng(shelf_id),
            coverage=COVERAGE,
        )
        return ShelfUsual(
            runs=curve.runs,
            day=_rounded(curve.ages, 2),
            mean=_rounded(curve.mean, 3),
            mean_uncertainty=_rounded(curve.mean_uncertainty, 3),
            run_low=_rounded(curve.run_low, 3),
            run_high=_rounded(curve.run_high, 3),
            lag_days=round(curve.lag, 3),
            lag_uncertainty_days=round(curve.lag_uncertainty, 3),
        )

    def _fit(self, readings: RunReadings, quantity: Quantity) -> GrowthCurve:
        grain, shelf_id = readings.run.grain, readings.shelf_id
        prior = self._room_prior(quantity, grain, without=readings.run.id)
        past = self._past(quantity, grain, shelf_id=shelf_id, without=readings.run.id)
        if shelf_id is not None and past:
            prior = learn_prior(
                past,
                parent=prior,
                group=f"{grain} on shelf {shelf_id}",
                group_variance=SHELF_VARIANCE,
            )
        return fit_growth(readings.points(quantity), prior=prior)

    def _room_prior(
        self, quantity: Quantity, grain: str, *, without: int | None = None
    ) -> GrowthPrior:
        published = published_prior(quantity, grain=grain)
        past = self._past(quantity, grain, without=without)
        if not past:
            return published
        return learn_prior(past, parent=published, group=f"{grain} in this room")

    def _past(
        self,
        quantity: Quantity,
        grain: str,
        *,
        shelf_id: int | None = None,
        without: int | None = None,
    ) -> list[GrowthCurve]:
        """Curves of the room's finished runs of a grain that have any readings."""
        if self._finished is None:
            ended = [span for span in self._spans if span.ended_at and span.ended_at <= self._now]
            self._finished = [self.readings(span) for span in ended]
        return [
            _past_curve(quantity, grain, points)
            for readings in self._finished
            if readings.run.grain == grain
            and readings.run.id != without
            and (shelf_id is None or readings.shelf_id == shelf_id)
            and (points := readings.points(quantity))
        ]


def run_curves(connection: sa.Connection, run_id: int, *, room: Room, now: datetime) -> RunCurves:
    """Points, curves and forecast of one run. Raises NotFound."""
    growth = RoomGrowth(connection, room, now)
    return growth.curves(growth.readings(span_of(connection, run_id)))


@lru_cache(maxsize=4096)
def _past_curve(quantity: Quantity, grain: str, points: tuple[GrowthPoint, ...]) -> GrowthCurve:
    # A pure function of its points: a finished run is fitted once, not with every answer.
    return fit_growth(points, prior=published_prior(quantity, grain=grain))


def _drawn(readings: RunReadings, quantity: Quantity, curve: GrowthCurve) -> QuantityCurve:
    points = readings.curve_points(quantity)
    ages = _ages([point.day for point in points])
    low, median, high = curve.band(
        ages, rng=np.random.default_rng(readings.run.id), coverage=COVERAGE
    )
    digits = 2 if quantity is Quantity.HEIGHT else 4
    return QuantityCurve(
        quantity=str(quantity),
        unit=_COLUMNS[quantity][2],
        points=points,
        fitted=FittedCurve(
            shape=curve.best.shape.name.lower(),
            day=_rounded(ages, 2),
            median=_rounded(median, digits),
            low=_rounded(low, digits),
            high=_rounded(high, digits),
            coverage=COVERAGE,
            prior=curve.prior.origin,
        ),
    )


def _forecast(run: Run, height: GrowthCurve) -> Forecast:
    value, day = run.target_shoot_height_mm, run.target_day
    forecast = forecast_harvest(
        height,
        target=HarvestTarget(value=value, day=day),
        rng=np.random.default_rng(run.id),
        coverage=COVERAGE,
    )

    def moment(hours: float | None) -> datetime | None:
        if hours is None:
            return None
        return (run.spread_at + timedelta(hours=hours)).replace(microsecond=0)

    uncertainty = forecast.standard_uncertainty_hours
    return Forecast(
        target_shoot_height_mm=value,
        target_day=day,
        harvest_at=moment(forecast.median_hours),
        low_at=moment(forecast.low_hours),
        high_at=moment(forecast.high_hours),
        coverage=forecast.coverage,
        probability_met=round(forecast.probability_met, 4),
        standard_uncertainty_hours=None if uncertainty is None else round(uncertainty, 2),
    )


def _ages(days: Sequence[float]) -> np.ndarray:
    last = max([_DRAWN_DAYS, *days])
    return np.arange(0.0, last + _STEP_DAYS, _STEP_DAYS)


def _rounded(values: np.ndarray, digits: int) -> list[float]:
    return [round(float(value), digits) for value in values]


def _days(duration: timedelta) -> float:
    return duration.total_seconds() / 86400
