"""Fits and forecasts of the room's runs, each worked out once for the same points.

All of these are pure functions of hashable arguments, so that a cache can only save time. What a
fit starts from is named by the points of the runs that teach it, not by the runs' numbers.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property, lru_cache

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
from service.growth.kept_fits import FITS, hash_of
from service.growth.run_readings import COVERAGE, DIGITS, RunReadings, rounded
from service.models.growth import Forecast
from trayvision.growth.curve import GrowthCurve, fit_growth
from trayvision.growth.fit import GrowthPoint
from trayvision.growth.harvest_forecast import HarvestForecast, HarvestTarget, forecast_harvest
from trayvision.growth.past_runs import learn_prior
from trayvision.growth.prior import GrowthPrior, Quantity, published_prior
from trayvision.growth.shelf_curves import SHELF_VARIANCE, ShelfCurve, shelf_curve

Points = tuple[GrowthPoint, ...]
PointsOf = Callable[[RunReadings, Quantity], Points]
_MOST_MARKED = 8192
_MARKED: dict[int, tuple[Points, str]] = {}


@dataclass(frozen=True)
class Teaching:
    """What a run's fit starts from; two are equal when the same points teach the same.

    Parameters
    ----------
    quantity : Quantity
    grain : str
    room : tuple of Points
        Of the room's finished runs of that grain.
    shelf : tuple of Points
        Those of them that ended on the same shelf.
    thermal : bool
        Whether ages are in °C d.
    """

    quantity: Quantity = field(compare=False)
    grain: str = field(compare=False)
    room: tuple[Points, ...] = field(default=(), compare=False)
    shelf: tuple[Points, ...] = field(default=(), compare=False)
    thermal: bool = field(default=False, compare=False)
    mark: str = field(init=False)

    def __post_init__(self) -> None:
        # Of thousands of numbers, and asked for at every look for a fit.
        said = (str(self.quantity), self.grain, str(self.thermal))
        runs = (hash_of(map(points_mark, runs)) for runs in (self.room, self.shelf))
        object.__setattr__(self, "mark", hash_of([*said, *runs]))

    @property
    def published(self) -> "Teaching":
        """The same without any run."""
        return Teaching(self.quantity, self.grain, thermal=self.thermal)

    @cached_property
    def of_room(self) -> "Teaching":
        """The same without the shelf."""
        return Teaching(self.quantity, self.grain, self.room, thermal=self.thermal)


class Teachings:
    """What finished runs teach: the same object for the same question, as the caches like it.

    Parameters
    ----------
    finished : sequence of RunReadings
    thermal_points : callable or None
        Gives the readings of one of them over °C d; None: what they teach is by age in days.
    """

    def __init__(
        self, finished: Sequence[RunReadings], *, thermal_points: PointsOf | None = None
    ) -> None:
        self.finished = tuple(finished)
        self._thermal = thermal_points is not None
        self._points_of: PointsOf = thermal_points or RunReadings.points
        self._runs = {one.span.id for one in finished}
        self._known: dict[tuple[object, ...], Teaching] = {}

    def same(self, finished: Sequence[RunReadings]) -> bool:
        """Whether these finished runs teach the same."""
        return len(finished) == len(self.finished) and all(
            (one.series is other.series, one.grain, one.shelf_id)
            == (True, other.grain, other.shelf_id)
            for one, other in zip(finished, self.finished, strict=True)
        )

    def for_run(self, quantity: Quantity, readings: RunReadings) -> Teaching:
        """For one run; a finished run does not teach itself."""
        run = readings.span.id
        without = run if run in self._runs else None
        return self.of(quantity, readings.grain, readings.shelf_id, without)

    def of(
        self, quantity: Quantity, grain: str, shelf_id: int | None, without: int | None = None
    ) -> Teaching:
        """For runs of a grain on a shelf."""
        question = (quantity, grain, shelf_id, without)
        if question not in self._known:
            self._known[question] = self._of(quantity, grain, shelf_id, without)
        return self._known[question]

    def of_runs(self, quantity: Quantity, grain: str, runs: frozenset[int]) -> Teaching:
        """Of some of the finished runs against the room's, whatever they have in common."""
        question = (quantity, grain, runs)
        if question not in self._known:
            past = [
                (run.span.id, points)
                for run in self.finished
                if run.grain == grain and (points := self._points_of(run, quantity))
            ]
            self._known[question] = Teaching(
                quantity,
                grain,
                room=tuple(points for _, points in past),
                shelf=tuple(points for run, points in past if run in runs),
                thermal=self._thermal,
            )
        return self._known[question]

    def _of(
        self, quantity: Quantity, grain: str, shelf_id: int | None, without: int | None
    ) -> Teaching:
        past = [
            (other.shelf_id, points)
            for other in self.finished
            if other.grain == grain
            and other.span.id != without
            and (points := self._points_of(other, quantity))
        ]
        return Teaching(
            quantity,
            grain,
            room=tuple(points for _, points in past),
            shelf=tuple(
                points for there, points in past if shelf_id is not None and there == shelf_id
            ),
            thermal=self._thermal,
        )


def points_mark(points: Points) -> str:
    """Hash of a run's readings, to the last digit."""
    known = _MARKED.get(id(points))
    # By identity, since hashing all points would take longer than all else that a page asks for.
    if known is not None and known[0] is points:
        return known[1]
    mark = hash_of([repr(points)])
    if len(_MARKED) > _MOST_MARKED:
        _MARKED.clear()
    _MARKED[id(points)] = points, mark
    return mark


def taught_prior(teaching: Teaching) -> GrowthPrior:
    """Published ranges, moved by the room's own past runs, then by the shelf's."""
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
    if not teaching.shelf:
        return learn_prior(
            past_curves(teaching, teaching.room),
            parent=taught_prior(teaching.published),
            group=f"{grain} in this room",
        )
    return learn_prior(
        past_curves(teaching, teaching.shelf),
        parent=taught_prior(teaching.of_room),
        group=f"{grain} on this shelf",
        group_variance=SHELF_VARIANCE,
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
