"""Growth curves and harvest forecasts of the room, worked out from the log whenever asked.

Nothing of this is stored: a late photo, a corrected date or a measured-again photo changes what
follows by itself. Draws are seeded by the run, so that the same log gives the same bytes.
"""

from collections.abc import Sequence
from datetime import datetime, time
from functools import cached_property, lru_cache
from math import ceil
from weakref import WeakKeyDictionary
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from service.growth.growth_fits import (
    band,
    fitted_curve,
    forecast_out,
    harvest_forecast,
    shelf_usual,
)
from service.growth.run_readings import known_of_runs, run_readings
from service.growth.run_series import COVERAGE, DIGITS, UNITS, RunReadings, rounded
from service.growth.teachings import Teaching, Teachings
from service.growth.thermal_curve import ThermalGrowth
from service.log.refusals import NotFound
from service.log.schema import SHELF
from service.models.growth import (
    FittedCurve,
    Forecast,
    QuantityCurve,
    RunCurves,
    ShelfCurves,
    ShelfUsual,
)
from service.models.room import Room
from service.models.runs import EndReason
from service.room.room_log import shelf_names
from service.runs.run_calendar import RunSpan, present_run, run_calendar, span_of
from service.runs.run_places import shelves_of_runs
from trayvision.growth.prior import Quantity

# Curves are drawn at least as far as the last day on which growers harvest, every 6 hours.
_DRAWN_DAYS = 9.0
_STEP_DAYS = 0.25
# The last finished runs teach the next: more would bring other seasons in and little certainty.
PAST_RUNS = 100
# With what they follow from.
_TEACHINGS: WeakKeyDictionary[sa.Pool, tuple[Teachings, tuple[object, ...]]] = WeakKeyDictionary()


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
        self._known: dict[int, RunReadings] = {}
        self.calendar = run_calendar(connection)

    @property
    def finished(self) -> tuple[RunReadings, ...]:
        """The room's last runs that finished before today, with their readings: what it knows.

        A run that was harvested today teaches from tomorrow on, so that forecasts stand still
        while trays are being harvested.
        """
        return self._teachings.finished

    def present(self) -> list[RunSpan]:
        """The run of each tray that is under way, or about to be; by tray."""
        return list(self.present_by_tray.values())

    @cached_property
    def present_by_tray(self) -> dict[int, RunSpan]:
        """The same by tray id."""
        now = self._now
        return {
            tray: span
            for tray, spans in self.calendar.by_tray.items()
            if (span := present_run(spans, now)) is not None
        }

    def readings(self, spans: Sequence[RunSpan]) -> list[RunReadings]:
        """Runs with their readings, in the order of the spans; each is read once."""
        new = [span for span in spans if span.id not in self._known]
        if new:
            found = run_readings(self._connection, self._room, new, now=self._now)
            self._known.update({readings.span.id: readings for readings in found})
        return [self._known[span.id] for span in spans]

    def curves(self, readings: RunReadings) -> RunCurves:
        """Points, curves and forecast of one run."""
        span = readings.span
        return RunCurves(
            run_id=span.id,
            tray=span.number,
            shelf_id=readings.shelf_id,
            grain=readings.grain,
            spread_at=span.spread_at,
            soaked_at=span.row["soaked_at"],
            ended_at=span.ended_at,
            height=self._curve(readings, Quantity.HEIGHT),
            cover=self._curve(readings, Quantity.COVER),
            thermal=self._thermal.curve(readings),
            forecast=self.forecast(readings),
        )

    def forecast(self, readings: RunReadings) -> Forecast:
        """When a run meets its target."""
        return _forecast(readings, self.teaching_for(readings, Quantity.HEIGHT))

    def shelf(self, shelf_id: int) -> ShelfCurves:
        """Runs of a shelf, by age and warmth, and what is usual there. Raises NotFound."""
        runs = self.curves_on(shelf_id)
        name, grain = shelf_names(self._connection)[shelf_id], self._room.grain
        return ShelfCurves(
            shelf_id=shelf_id,
            shelf=name,
            runs=runs,
            usual=self._usual(Quantity.HEIGHT, shelf_id, name),
            usual_cover=self._usual(Quantity.COVER, shelf_id, name),
            thermal_usual=self._thermal.usual(Quantity.HEIGHT, grain, shelf_id, name),
            thermal_usual_cover=self._thermal.usual(Quantity.COVER, grain, shelf_id, name),
        )

    def curves_on(self, shelf_id: int) -> list[RunCurves]:
        """Curves of the runs that stand on a shelf or ended there of late. Raises NotFound."""
        if shelf_id not in shelf_names(self._connection):
            raise NotFound(SHELF.name, shelf_id)
        asked = [
            *self.calendar.not_ended(self._now),
            *self.calendar.last_ended(self._now, PAST_RUNS),
        ]
        stand_on = shelves_of_runs(self._connection, asked, now=self._now)
        here = sorted(
            (span for span, shelf in zip(asked, stand_on, strict=True) if shelf == shelf_id),
            key=lambda span: (span.number, span.spread_at),
        )
        return [self.curves(readings) for readings in self.readings(here)]

    def teaching(
        self, quantity: Quantity, grain: str, runs: frozenset[int] = frozenset()
    ) -> Teaching:
        """What some of the finished runs teach against all of their grain."""
        return self._teachings.of_runs(quantity, grain, runs)

    def teaching_for(self, readings: RunReadings, quantity: Quantity) -> Teaching:
        """What the fit of one run starts from."""
        return self._teachings.for_run(quantity, readings)

    def shelf_teaching(self, quantity: Quantity, grain: str, shelf_id: int) -> Teaching:
        """What the finished runs of a grain on one shelf teach against all of the room."""
        return self._teachings.of(quantity, grain, shelf_id)

    def thermal_teaching(self, quantity: Quantity, grain: str, shelf_id: int) -> Teaching:
        """The same over °C d."""
        return self._thermal.teachings.of(quantity, grain, shelf_id)

    def thermal_teaching_for(self, readings: RunReadings, quantity: Quantity) -> Teaching:
        """What the fit of one run over °C d starts from."""
        return self._thermal.teachings.for_run(quantity, readings)

    @cached_property
    def _thermal(self) -> ThermalGrowth:
        return ThermalGrowth(self._connection, self.finished)

    @cached_property
    def _teachings(self) -> Teachings:
        """What the room's finished runs teach; the same object while it is the same runs."""
        zone = ZoneInfo(self._room.time_zone)
        today = datetime.combine(self._now.astimezone(zone).date(), time(), zone)
        follows_from = (today, self._room, *known_of_runs(self._connection))
        pool = self._connection.engine.pool
        before = _TEACHINGS.get(pool)
        if before is not None and _are_same(before[1], follows_from):
            return before[0]
        # What was thrown, dead or mouldy, is no example of how a tray grows here.
        ended = self.calendar.last_ended(today, PAST_RUNS)
        finished = self.readings([run for run in ended if run.reason is not EndReason.THROWN])
        same = before is not None and before[0].same(finished)
        known = before[0] if before is not None and same else Teachings(finished)
        _TEACHINGS[pool] = known, follows_from
        return known

    def _curve(self, readings: RunReadings, quantity: Quantity) -> QuantityCurve:
        given = readings.curve_points(quantity)
        points, teaching = readings.points(quantity), self.teaching_for(readings, quantity)
        ages = _ages([point.day for point in given])
        low, median, high = band(points, teaching, ages, readings.span.id)
        curve = fitted_curve(points, teaching)
        return QuantityCurve(
            quantity=str(quantity),
            unit=UNITS[quantity],
            points=given,
            fitted=FittedCurve(
                shape=curve.best.shape.name.lower(),
                day=ages,
                median=median,
                low=low,
                high=high,
                coverage=COVERAGE,
                prior=curve.prior.origin,
            ),
        )

    def _usual(self, quantity: Quantity, shelf_id: int, name: str) -> ShelfUsual:
        teaching = self._teachings.of(quantity, self._room.grain, shelf_id)
        curve = shelf_usual(teaching, shelf_id, name, _ages(()))
        digits = DIGITS[quantity] + 1
        return ShelfUsual(
            runs=curve.runs,
            day=rounded(curve.ages, 2),
            mean=rounded(curve.mean, digits),
            mean_uncertainty=rounded(curve.mean_uncertainty, digits),
            run_low=rounded(curve.run_low, digits),
            run_high=rounded(curve.run_high, digits),
            lag_days=round(curve.lag, 3),
            lag_uncertainty_days=round(curve.lag_uncertainty, 3),
        )


# The same objects while nothing changes, so that a look costs no comparing of their numbers.
@lru_cache(maxsize=512)
def _forecast(readings: RunReadings, teaching: Teaching) -> Forecast:
    if readings.target is None:
        return forecast_out(readings, None)
    points = readings.points(Quantity.HEIGHT)
    # Of equal trays that were not measured yet the same is said.
    seed = readings.span.id if points else 0
    forecast = harvest_forecast(points, teaching, readings.target, seed)
    return forecast_out(readings, forecast)


def run_curves(connection: sa.Connection, run_id: int, *, room: Room, now: datetime) -> RunCurves:
    """Points, curves and forecast of one run. Raises NotFound."""
    growth = RoomGrowth(connection, room, now)
    return growth.curves(growth.readings([span_of(connection, run_id)])[0])


def _ages(days: Sequence[float]) -> tuple[float, ...]:
    last = max([_DRAWN_DAYS, *days])
    return _days_drawn(ceil(last / _STEP_DAYS) + 1)


@lru_cache(maxsize=64)
def _days_drawn(count: int) -> tuple[float, ...]:
    return tuple(_STEP_DAYS * number for number in range(count))


def _are_same(known: Sequence[object], others: Sequence[object]) -> bool:
    """Whether all are the same object, or equal where they are made anew each time."""
    cheap = (datetime, Room)
    return all(
        one is other or (isinstance(one, cheap) and one == other)
        for one, other in zip(known, others, strict=True)
    )
