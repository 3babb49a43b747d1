"""Runs with their readings, loaded for the whole room at once, as the curves take them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property, lru_cache
from typing import Any

import sqlalchemy as sa

from service.log.entries import current
from service.log.log_memory import LogMemory, Seen
from service.log.schema import ASSIGNMENT, CAPTURE, PHOTO_INSPECTION, TRAY_INSPECTION
from service.models.growth import CurvePoint
from service.models.room import Room
from service.photos.inspection_log import told_trays
from service.photos.photo_log import trays_with_news
from service.room.room_log import Row
from service.runs.run_calendar import LONGEST_RUN, Extent, RunSpan, run_calendar
from service.runs.run_log import grain_of, grains_of_lots, seed_of_entries
from service.runs.run_places import PLACES, shelves_of_runs
from trayvision.growth.fit import GrowthPoint
from trayvision.growth.harvest_forecast import HarvestTarget
from trayvision.growth.prior import Quantity

COVERAGE = 0.9
UNITS = {Quantity.HEIGHT: "mm", Quantity.COVER: "1"}
# How exactly curves are given out.
DIGITS = {Quantity.HEIGHT: 2, Quantity.COVER: 4}
# A cover of exactly 0 or 1 may come with no uncertainty; a fit must not hang on one reading.
_LEAST_UNCERTAINTY = {Quantity.HEIGHT: 0.5, Quantity.COVER: 0.005}
_COLUMNS = {
    Quantity.HEIGHT: ("shoot_height_mm", "shoot_height_uncertainty_mm"),
    Quantity.COVER: ("cover", "cover_uncertainty"),
}
_STRIP_COLUMNS = ("canopy_height_mm", "canopy_height_uncertainty_mm")
# Of a few runs, reading their trays' rows alone is quicker than reading those of their time.
_FEW_RUNS = 10
_MOST_KEPT = 2000


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
        self, span: RunSpan, grain: str, shelf_id: int | None, target: HarvestTarget | None
    ) -> "RunReadings":
        """The run with these readings; the same object for as long as nothing of it changes."""
        known = self._known.get(span.id)
        if known is None or (known.span, known.grain, known.shelf_id, known.target) != (
            span,
            grain,
            shelf_id,
            target,
        ):
            known = self._known[span.id] = RunReadings(span, grain, shelf_id, target, self)
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
            value, uncertainty = _COLUMNS[quantity]
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
    shelf_id : int or None
        Where the tray stands, or stood at the run's end.
    target : HarvestTarget or None
        The run's own, else the room's; None where neither says when to harvest.
    series : RunSeries
    """

    span: RunSpan
    grain: str
    shelf_id: int | None
    target: HarvestTarget | None
    series: RunSeries

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


def run_readings(
    connection: sa.Connection, room: Room, spans: Sequence[RunSpan], *, now: datetime
) -> list[RunReadings]:
    """Runs with their readings, in the order of the spans."""
    series = run_series(connection, spans)
    shelves = shelves_of_runs(connection, spans, now=now)
    seed = seed_of_entries(connection, [span.row["entry_id"] for span in spans])
    grains = grains_of_lots(connection)
    found = []
    for span, shelf_id in zip(spans, shelves, strict=True):
        parts = seed.get(span.row["entry_id"], [])
        row = span.row
        found.append(
            series[span.id].of_run(
                span,
                grain_of({grains[one.lot_id] for one in parts if one.lot_id in grains}, room),
                shelf_id,
                _target(
                    row["target_shoot_height_mm"] or room.target_shoot_height_mm,
                    row["target_day"] or room.target_day,
                ),
            )
        )
    return found


@lru_cache(maxsize=256)
def _target(shoot_height_mm: float | None, day: float | None) -> HarvestTarget | None:
    return None if shoot_height_mm is None and day is None else HarvestTarget(shoot_height_mm, day)


def known_of_runs(connection: sa.Connection) -> tuple[object, ...]:
    """What the readings of finished runs follow from: other objects when any of it changes."""
    memories = (run_calendar, PLACES.of, _SERIES.of, grains_of_lots)
    return tuple(memory(connection) for memory in memories)


def run_series(connection: sa.Connection, spans: Sequence[RunSpan]) -> dict[int, RunSeries]:
    """Readings of some runs, by run id; what was read before and still holds is not read again."""
    kept = _SERIES.of(connection)
    found = {}
    for span in spans:
        known = kept.series.get(span.id)
        if known is not None and known.extent == span.extent:
            found[span.id] = known
    missing = [span for span in spans if span.id not in found]
    for together in _near_in_time(missing):
        read = _read_series(connection, together)
        for run, one in read.items():
            before = kept.doubtful.pop(run, None)
            found[run] = kept.series[run] = (
                one if before is None or not before.says(one) else before
            )
    return found


def _near_in_time(spans: Sequence[RunSpan]) -> list[list[RunSpan]]:
    """The runs that lie in the last one's time together, older ones each for itself."""
    latest = max((span.spread_at for span in spans), default=None)
    if latest is None:
        return []
    near = [span for span in spans if latest - span.spread_at < LONGEST_RUN]
    return [near, *([span] for span in spans if latest - span.spread_at >= LONGEST_RUN)]


def rounded(values: Iterable[float], digits: int) -> list[float]:
    """Numbers as they are given out."""
    return [round(float(value), digits) for value in values]


def _read_series(connection: sa.Connection, spans: Sequence[RunSpan]) -> dict[int, RunSeries]:
    """Of their trays where these are few, else of all; told trays apart, since they are few."""
    ids = [span.tray_id for span in spans]
    within = _readings_between(
        min(span.spread_at for span in spans), max(span.until for span in spans)
    )
    told = told_trays()
    measured = within.add_columns(TRAY_INSPECTION.c.tray_id)
    if len(spans) < _FEW_RUNS:
        measured = measured.where(TRAY_INSPECTION.c.tray_id.in_(ids))
    said = within.add_columns(told.c.tray_id).join(
        told, told.c.inspection_id == TRAY_INSPECTION.c.id
    )
    by_tray: dict[int, list[Row]] = {}
    for statement in (measured, said):
        for row in connection.execute(statement).mappings():
            by_tray.setdefault(row["tray_id"], []).append(row)
    return {
        span.id: RunSeries(
            span.extent,
            tuple(
                sorted(
                    (row for row in by_tray.get(span.tray_id, ()) if span.holds(row["taken_at"])),
                    key=lambda row: (row["taken_at"], row["id"]),
                )
            ),
        )
        for span in spans
    }


def _readings_between(first: datetime, last: datetime) -> sa.Select[Any]:
    """Values of all trays in photos of a time; joined from `tray_inspection`."""
    passes, capture = current(PHOTO_INSPECTION), current(CAPTURE)
    names = [name for pair in (*_COLUMNS.values(), _STRIP_COLUMNS) for name in pair]
    values = [TRAY_INSPECTION.c[name] for name in names]
    return (
        sa.select(
            TRAY_INSPECTION.c.id,
            passes.c.photo_id,
            capture.c.taken_at,
            capture.c.watering,
            TRAY_INSPECTION.c.mould_likelihood,
            *values,
        )
        .select_from(TRAY_INSPECTION)
        .join(passes, passes.c.entry_id == TRAY_INSPECTION.c.photo_inspection_id)
        .join(capture, capture.c.photo_id == passes.c.photo_id)
        .where(capture.c.taken_at >= first, capture.c.taken_at < last)
    )


@dataclass(frozen=True)
class _Kept:
    """Readings by run id, and those of trays of which something new was not read yet.

    What a tray's new photo says nothing of, as its runs before, is found to be the same again and
    stays the same object: else all that those teach would be worked out anew.
    """

    series: dict[int, RunSeries] = field(default_factory=dict)
    doubtful: dict[int, RunSeries] = field(default_factory=dict)


def _renewed(connection: sa.Connection, before: tuple[_Kept, Seen] | None) -> _Kept:
    if before is None or len(before[0].series) + len(before[0].doubtful) > _MOST_KEPT:
        return _Kept()
    concerned = trays_with_news(connection, before[1], _MEASURED)
    # Copied at once, since others may add to it meanwhile.
    kept, doubtful = _Kept(doubtful=before[0].doubtful.copy()), before[0].series.copy()
    for run, one in doubtful.items():
        (kept.doubtful if one.extent.tray_id in concerned else kept.series)[run] = one
    return kept


_MEASURED = (PHOTO_INSPECTION, CAPTURE, ASSIGNMENT)
_SERIES = LogMemory(_MEASURED, _renewed)
