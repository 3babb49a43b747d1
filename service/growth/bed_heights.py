"""Height of the seed bed in each run, as the photos of its first days show it."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

import sqlalchemy as sa

from service.growth.run_readings import run_series
from service.photos.inspection_job import BedSpan
from service.runs.run_calendar import RunSpan, run_calendar, run_spans
from trayvision.measurement import Measurement
from trayvision.measures.bed_height import BARE_DAYS, FirstReading, measured_bed_height

_BARE: Final = timedelta(days=BARE_DAYS)


def bed_heights(connection: sa.Connection, spans: Sequence[RunSpan]) -> dict[int, Measurement]:
    """By run id; runs whose first photos do not tell it are left out.

    A part that was put into another tray has the bed of the run that it is of.
    """
    by_id = run_calendar(connection).by_id
    whole = {
        span.id: of for span in spans if (of := by_id.get(span.split_from_id or 0)) is not None
    }
    found = {}
    asked = {span.id: span for span in (*spans, *whole.values())}
    for run_id, series in run_series(connection, list(asked.values())).items():
        first = (row for row in series.rows if row["taken_at"] < series.spread_at + _BARE)
        readings = [
            FirstReading(
                Measurement(row["canopy_height_mm"], row["canopy_height_uncertainty_mm"], "mm"),
                row["cover"],
            )
            for row in first
            if row["canopy_height_mm"] is not None
            and row["canopy_height_uncertainty_mm"] is not None
        ]
        bed = measured_bed_height(readings)
        if bed is not None:
            found[run_id] = bed
    of_parts = {part: found[run.id] for part, run in whole.items() if run.id in found}
    return {span.id: bed for span in spans if (bed := {**of_parts, **found}.get(span.id))}


def beds_by_number(
    connection: sa.Connection, since: datetime, until: datetime
) -> dict[int, tuple[BedSpan, ...]]:
    """The beds under the shoots of all runs between two moments, by tray number.

    A height holds from when the first days of the run are over, up to its end: the first photos
    themselves are measured as they come, without waiting for each other.
    """
    spans = [
        span for span in run_spans(connection) if sprouts_at(span) <= until and since < span.until
    ]
    heights = bed_heights(connection, spans)
    found: dict[int, tuple[BedSpan, ...]] = {}
    for span in spans:
        if span.id in heights:
            held = (sprouts_at(span), span.until, heights[span.id])
            found[span.number] = (*found.get(span.number, ()), held)
    return found


def sprouts_at(span: RunSpan) -> datetime:
    """Up to when a photo of the run shows its bare seed."""
    return max(span.spread_at + _BARE, span.begins_at)
