"""A run's readings as the curves take them, and its forecast as the service gives it out."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.models.growth import CurvePoint, Forecast
from service.models.runs import Run
from service.room_log import Row
from service.run_log import RunSpan
from trayvision.growth_fit import GrowthPoint
from trayvision.growth_prior import Quantity
from trayvision.harvest_forecast import HarvestForecast

COVERAGE = 0.9
UNITS = {Quantity.HEIGHT: "mm", Quantity.COVER: "1"}
# A cover of exactly 0 or 1 may come with no uncertainty; a fit must not hang on one reading.
_LEAST_UNCERTAINTY = {Quantity.HEIGHT: 0.5, Quantity.COVER: 0.005}
_COLUMNS = {
    Quantity.HEIGHT: ("shoot_height_mm", "shoot_height_uncertainty_mm"),
    Quantity.COVER: ("cover", "cover_uncertainty"),
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
        value, uncertainty = _COLUMNS[quantity]
        return [
            CurvePoint(
                photo_id=row["photo_id"],
                taken_at=row["taken_at"],
                day=(row["taken_at"] - self.run.spread_at).total_seconds() / 86400,
                value=row[value],
                uncertainty=max(row[uncertainty], _LEAST_UNCERTAINTY[quantity]),
                watering=row["watering"],
            )
            for row in self.rows
            if row[value] is not None and row[uncertainty] is not None
        ]


def forecast_out(run: Run, forecast: HarvestForecast) -> Forecast:
    """A forecast in moments, to the second."""

    def moment(hours: float | None) -> datetime | None:
        if hours is None:
            return None
        return (run.spread_at + timedelta(hours=hours)).replace(microsecond=0)

    uncertainty = forecast.standard_uncertainty_hours
    return Forecast(
        target_shoot_height_mm=run.target_shoot_height_mm,
        target_day=run.target_day,
        harvest_at=moment(forecast.median_hours),
        low_at=moment(forecast.low_hours),
        high_at=moment(forecast.high_hours),
        coverage=forecast.coverage,
        probability_met=round(forecast.probability_met, 4),
        standard_uncertainty_hours=None if uncertainty is None else round(uncertainty, 2),
    )


def rounded(values: Iterable[float], digits: int) -> list[float]:
    """Numbers as they are given out."""
    return [round(float(value), digits) for value in values]
