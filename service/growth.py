"""Growth curves and harvest forecasts of the room, worked out from the log whenever asked.

Nothing of this is stored: a late photo, a corrected date or a measured-again photo changes what
follows by itself. Draws are seeded by the run, so that the same log gives the same bytes.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from functools import lru_cache

import numpy as np
import sqlalchemy as sa

from service.inspection_log import tray_rows
from service.models.growth import (
    FittedCurve,
    Forecast,
    QuantityCurve,
    RunCurves,
    ShelfCurves,
    ShelfUsual,
)
from service.models.room import Room
from service.models.runs import Run
from service.room_log import one, shelf_of
from service.run_log import RunSpan, run_out, run_spans, span_of
from service.run_readings import COVERAGE, UNITS, RunReadings, forecast_out, rounded
from service.schema import SHELF
from service.thermal_curve import thermal_curve
from trayvision.growth_curve import GrowthCurve, fit_growth
from trayvision.growth_fit import GrowthPoint
from trayvision.growth_prior import GrowthPrior, Quantity, published_prior
from trayvision.harvest_forecast import HarvestTarget, forecast_harvest
from trayvision.past_runs import learn_prior
from trayvision.shelf_curves import SHELF_VARIANCE, shelf_curve

# Curves are drawn at least as far as the last day on which growers harvest, every 6 hours.
_DRAWN_DAYS = 9.0
_STEP_DAYS = 0.25


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
        rows = tray_rows(self._connection, span.tray_id, since=span.spread_at, until=span.until)
        at = self._now if span.ended_at is None else span.ended_at - timedelta(seconds=1)
        return RunReadings(
            span,
            run_out(self._connection, span, room=self._room, now=self._now),
            shelf_of(self._connection, span.tray_id, at),
            tuple(rows),
        )

    @property
    def finished(self) -> list[RunReadings]:
        """All runs that have ended, with their readings."""
        if self._finished is None:
            ended = [span for span in self._spans if span.ended_at and span.ended_at <= self._now]
            self._finished = [self.readings(span) for span in ended]
        return self._finished

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
            thermal=thermal_curve(self._connection, readings, self.finished),
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
            day=rounded(curve.ages, 2),
            mean=rounded(curve.mean, 3),
            mean_uncertainty=rounded(curve.mean_uncertainty, 3),
            run_low=rounded(curve.run_low, 3),
            run_high=rounded(curve.run_high, 3),
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
        return [
            _past_curve(quantity, grain, points)
            for readings in self.finished
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
        unit=UNITS[quantity],
        points=points,
        fitted=FittedCurve(
            shape=curve.best.shape.name.lower(),
            day=rounded(ages, 2),
            median=rounded(median, digits),
            low=rounded(low, digits),
            high=rounded(high, digits),
            coverage=COVERAGE,
            prior=curve.prior.origin,
        ),
    )


def _forecast(run: Run, height: GrowthCurve) -> Forecast:
    forecast = forecast_harvest(
        height,
        target=HarvestTarget(value=run.target_shoot_height_mm, day=run.target_day),
        rng=np.random.default_rng(run.id),
        coverage=COVERAGE,
    )
    return forecast_out(run, forecast)


def _ages(days: Sequence[float]) -> np.ndarray:
    last = max([_DRAWN_DAYS, *days])
    return np.arange(0.0, last + _STEP_DAYS, _STEP_DAYS)
