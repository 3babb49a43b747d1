"""Runs with their readings, loaded for the whole room at once, as the curves take them."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

import sqlalchemy as sa

from service.entries import current
from service.models.growth import CurvePoint, Forecast
from service.models.room import Room
from service.room_log import Row
from service.run_log import RunSpan
from service.schema import (
    CAPTURE,
    PHOTO_INSPECTION,
    PLACEMENT,
    RUN_SEED,
    SEED_LOT,
    TRAY_INSPECTION,
)
from trayvision.growth_fit import GrowthPoint
from trayvision.growth_prior import Quantity
from trayvision.harvest_forecast import HarvestForecast, HarvestTarget

COVERAGE = 0.9
UNITS = {Quantity.HEIGHT: "mm", Quantity.COVER: "1"}
# A cover of exactly 0 or 1 may come with no uncertainty; a fit must not hang on one reading.
_LEAST_UNCERTAINTY = {Quantity.HEIGHT: 0.5, Quantity.COVER: 0.005}
_COLUMNS = {
    Quantity.HEIGHT: ("shoot_height_mm", "shoot_height_uncertainty_mm"),
    Quantity.COVER: ("cover", "cover_uncertainty"),
}


@dataclass(frozen=True, eq=False)
class RunReadings:
    """One run with its grain, its place and all readings of its tray while it lasted.

    Parameters
    ----------
    span : RunSpan
    grain : str
    shelf_id : int or None
        Where the tray stands, or stood at the run's end.
    target : HarvestTarget
        The run's own, else the room's.
    rows : tuple of Row
        By moment; columns `photo_id`, `taken_at`, `watering` and the values.
    """

    span: RunSpan
    grain: str
    shelf_id: int | None
    target: HarvestTarget
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
                day=(row["taken_at"] - self.span.spread_at).total_seconds() / 86400,
                value=row[value],
                uncertainty=max(row[uncertainty], _LEAST_UNCERTAINTY[quantity]),
                watering=row["watering"],
            )
            for row in self.rows
            if row[value] is not None and row[uncertainty] is not None
        ]


class RoomReadings:
    """All readings and places of the room that a number of runs may need, in a few queries.

    Parameters
    ----------
    connection : Connection
    room : Room
    now : aware datetime
    since : aware datetime
        No run that is asked for starts earlier.
    """

    def __init__(
        self, connection: sa.Connection, room: Room, *, now: datetime, since: datetime
    ) -> None:
        self._room = room
        self._now = now
        self._rows = _by_tray(connection.execute(_values_since(since)).mappings())
        self._places = _by_tray(connection.execute(_placements()).mappings())
        self._grains = _grains(connection)

    def of(self, span: RunSpan) -> RunReadings:
        """One run with its readings."""
        at = self._now if span.ended_at is None else span.ended_at - timedelta(seconds=1)
        places = [row for row in self._places.get(span.tray_id, []) if row["placed_at"] <= at]
        grains = self._grains.get(span.row["entry_id"], set())
        row, room = span.row, self._room
        return RunReadings(
            span=span,
            grain=next(iter(grains)) if len(grains) == 1 else room.grain,
            shelf_id=places[-1]["shelf_id"] if places else None,
            target=HarvestTarget(
                row["target_shoot_height_mm"] or room.target_shoot_height_mm,
                row["target_day"] or room.target_day,
            ),
            rows=tuple(
                row for row in self._rows.get(span.tray_id, []) if span.holds(row["taken_at"])
            ),
        )


def forecast_out(readings: RunReadings, forecast: HarvestForecast) -> Forecast:
    """A forecast in moments, to the second."""

    def moment(hours: float | None) -> datetime | None:
        if hours is None:
            return None
        return (readings.span.spread_at + timedelta(hours=hours)).replace(microsecond=0)

    uncertainty = forecast.standard_uncertainty_hours
    return Forecast(
        target_shoot_height_mm=readings.target.value,
        target_day=readings.target.day,
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


def _values_since(since: datetime) -> sa.Select[tuple[object, ...]]:
    passes, capture = current(PHOTO_INSPECTION), current(CAPTURE)
    values = [TRAY_INSPECTION.c[name] for names in _COLUMNS.values() for name in names]
    return (
        sa.select(
            TRAY_INSPECTION.c.tray_id,
            passes.c.photo_id,
            capture.c.taken_at,
            capture.c.watering,
            *values,
        )
        .join(passes, passes.c.entry_id == TRAY_INSPECTION.c.photo_inspection_id)
        .join(capture, capture.c.photo_id == passes.c.photo_id)
        .where(TRAY_INSPECTION.c.tray_id.is_not(None), capture.c.taken_at >= since)
        .order_by(capture.c.taken_at, TRAY_INSPECTION.c.id)
    )


def _placements() -> sa.Select[tuple[object, ...]]:
    now = current(PLACEMENT)
    return sa.select(now.c.tray_id, now.c.shelf_id, now.c.placed_at).order_by(
        now.c.placed_at, now.c.entry_id
    )


def _by_tray(rows: Iterable[Row]) -> dict[int, list[Row]]:
    grouped: dict[int, list[Row]] = {}
    for row in rows:
        grouped.setdefault(row["tray_id"], []).append(row)
    return grouped


def _grains(connection: sa.Connection) -> dict[int, set[str]]:
    lots = current(SEED_LOT)
    statement = sa.select(RUN_SEED.c.run_entry_id, lots.c.grain).join(
        lots, lots.c.id == RUN_SEED.c.lot_id
    )
    grains: dict[int, set[str]] = {}
    for row in connection.execute(statement):
        grains.setdefault(row.run_entry_id, set()).add(row.grain)
    return grains
