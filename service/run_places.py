"""Where trays stood, and so where runs stand or ended."""

from collections.abc import Sequence
from datetime import datetime, timedelta

import sqlalchemy as sa

from service.log_memory import last_until, rows_by_tray
from service.run_calendar import RunSpan
from service.schema import PLACEMENT

PLACES = rows_by_tray(PLACEMENT, "placed_at")


def shelves_of_runs(
    connection: sa.Connection, spans: Sequence[RunSpan], *, now: datetime
) -> list[int | None]:
    """Shelves on which the trays of runs stand, or stood at their ends, in the order of the spans.

    Parameters
    ----------
    connection : Connection
    spans : sequence of RunSpan
    now : aware datetime
        Of runs without an end.
    """
    places = PLACES.of(connection)
    found = []
    for span in spans:
        at = now if span.ended_at is None else span.ended_at - timedelta(seconds=1)
        place = last_until(places.get(span.tray_id, ()), "placed_at", at)
        found.append(None if place is None else place["shelf_id"])
    return found
