"""One run's readings, as the curves take them."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property

from service.models.growth import CurvePoint
from service.room.room_log import Row
from service.runs.run_calendar import Extent, RunSpan
from trayvision.growth.fit import GrowthPoint
from trayvision.growth.harvest_forecast import HarvestTarget
from trayvision.growth.prior import Quantity

COVERAGE = 0.9
UNITS = {Quantity.HEIGHT: "mm", Quantity.COVER: "1"}
# How exactly curves are given out.
DIGITS = {Quantity.HEIGHT: 2, Quantity.COVER: 4}
# A cover of exactly 0 or 1 may come with no uncertainty; a fit must not hang on one reading.
_LEAST_UNCERTAINTY = {Quantity.HEIGHT: 0.5, Quantity.COVER: 0.005}
COLUMNS = {
    Quantity.HEIGHT: ("shoot_height_mm", "shoot_height_uncertainty_mm"),
    Quantity.COVER: ("cover", "cover_uncertainty"),
}


@dataclass(frozen=True, eq=False)
class RunSeries:
    """All readings of a tray while one run lasted; the same object for as long as they hold.

    Parameters
    ----------
    extent : Extent
        Of the run.
    rows : tuple of Row
        By moment; columns `id` (of the tray's inspection), `photo_id`, `taken_at`, `watering` and
        the values.
    """

    extent: Extent
    rows: tuple[Row, ...]
    _given: dict[Quantity, tuple[CurvePoint, ...]] = field(default_factory=dict)
    _points: dict[Quantity, tuple[GrowthPoint, ...]] = field(default_factory=dict)
    _known: dict[int, "RunReadings"] = field(default_factory=dict)

    @property
    def spread_at(self) -> datetime:
        """When the seed was spread."""
        return self.extent.spread_at

    @cached_property
    def rows_of_whole_tray(self) -> tuple[Row, ...]:
        """Readings up to when a part of the tray was taken: its cover tells how it grows."""
        until = self.extent.whole_until
        return tuple(row for row in self.rows if until is None or row["taken_at"] < until)

    def says(self, other: "RunSeries") -> bool:
        """Whether another holds the same readings of the same time."""
        return (self.extent, self.rows) == (other.extent, other.rows)

    def of_run(
        self,
        span: RunSpan,
        *,
        grain: str,
        lots: frozenset[int],
        shelf_id: int | None,
        target: HarvestTarget | None,
    ) -> "RunReadings":
        """The run with these readings; the same object for as long as nothing of it changes."""
        said = (span, grain, lots, shelf_id, target)
        known = self._known.get(span.id)
        if known is None or said != known.said:
            known = self._known[span.id] = RunReadings(*said, series=self)
        return known

    def points(self, quantity: Quantity) -> tuple[GrowthPoint, ...]:
        """Readings of one quantity by age in days, for the fit."""
        if quantity not in self._points:
            self._points[quantity] = tuple(
                GrowthPoint(point.day, point.value, point.uncertainty)
                for point in self.curve_points(quantity)
            )
        return self._points[quantity]

    def curve_points(self, quantity: Quantity) -> tuple[CurvePoint, ...]:
        """The same with their photos."""
        if quantity not in self._given:
            value, uncertainty = COLUMNS[quantity]
            self._given[quantity] = tuple(
                CurvePoint(
                    photo_id=row["photo_id"],
                    taken_at=row["taken_at"],
                    day=(row["taken_at"] - self.spread_at).total_seconds() / 86400,
                    value=row[value],
                    uncertainty=max(row[uncertainty], _LEAST_UNCERTAINTY[quantity]),
                    watering=row["watering"],
                )
                for row in (self.rows if quantity is Quantity.HEIGHT else self.rows_of_whole_tray)
                if row[value] is not None and row[uncertainty] is not None
            )
        return self._given[quantity]


@dataclass(frozen=True, eq=False)
class RunReadings:
    """One run with its grain, its place and all readings of its tray while it lasted.

    Parameters
    ----------
    span : RunSpan
    grain : str
    lots : frozenset of int
        Of its seed.
    shelf_id : int or None
        Where the tray stands, or stood at the run's end.
    target : HarvestTarget or None
        The run's own, else the room's; None where neither says when to harvest.
    series : RunSeries
    """

    span: RunSpan
    grain: str
    lots: frozenset[int]
    shelf_id: int | None
    target: HarvestTarget | None
    series: RunSeries

    @property
    def said(self) -> tuple[object, ...]:
        """All that people said of it."""
        return (self.span, self.grain, self.lots, self.shelf_id, self.target)

    @property
    def rows(self) -> tuple[Row, ...]:
        """Readings by moment."""
        return self.series.rows

    def points(self, quantity: Quantity) -> tuple[GrowthPoint, ...]:
        """Readings of one quantity by age in days, for the fit."""
        return self.series.points(quantity)

    def curve_points(self, quantity: Quantity) -> tuple[CurvePoint, ...]:
        """The same with their photos."""
        return self.series.curve_points(quantity)


def rounded(values: Iterable[float], digits: int) -> list[float]:
    """Numbers as they are given out."""
    return [round(float(value), digits) for value in values]
