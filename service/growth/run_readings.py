"""Runs with their readings, loaded for the whole room at once."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from typing import Any

import sqlalchemy as sa

from service.growth.run_series import COLUMNS, RunReadings, RunSeries
from service.log.entries import current
from service.log.log_memory import LogMemory, Seen
from service.log.schema import ASSIGNMENT, CAPTURE, PHOTO_INSPECTION, TRAY_INSPECTION
from service.models.room import Room
from service.photos.inspection_log import told_trays
from service.photos.photo_log import trays_with_news
from service.room.room_log import Row
from service.runs.run_calendar import LONGEST_RUN, RunSpan, run_calendar
from service.runs.run_log import grain_of, grains_of_lots, seed_of_entries
from service.runs.run_places import PLACES, shelves_of_runs
from trayvision.growth.harvest_forecast import HarvestTarget

_STRIP_COLUMNS = ("canopy_height_mm", "canopy_height_uncertainty_mm")
# Of a few runs, reading their trays' rows alone is quicker than reading those of their time.
_FEW_RUNS = 10
_MOST_KEPT = 2000


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
        lots = frozenset(one.lot_id for one in seed.get(span.row["entry_id"], []))
        row = span.row
        found.append(
            series[span.id].of_run(
                span,
                grain=grain_of({grains[one] for one in lots if one in grains}, room),
                lots=lots,
                shelf_id=shelf_id,
                target=_target(
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
    names = [name for pair in (*COLUMNS.values(), _STRIP_COLUMNS) for name in pair]
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
