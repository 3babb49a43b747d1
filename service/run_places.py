"""Where trays stood, and so where runs stand or ended."""

from collections.abc import Sequence
from datetime import datetime, timedelta

import sqlalchemy as sa

from service.log_memory import last_until, rows_by_tray
from service.models.room import Placement
from service.run_calendar import RunSpan, present_run, run_calendar
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


def others_in_place(
    connection: sa.Connection, placed: Sequence[Placement], *, now: datetime
) -> list[int]:
    """Numbers of other growing trays that stand at the very positions of some placements.

    Nothing forbids it: of two trays that change places, one is written down first.
    """
    moved = {one.tray_id for one in placed}
    asked = {one.position_id for one in placed if one.position_id is not None}
    places, found = PLACES.of(connection), []
    for tray_id, spans in run_calendar(connection).by_tray.items():
        place = last_until(places.get(tray_id, ()), "placed_at", now)
        stands = place is not None and place["position_id"] in asked
        if stands and tray_id not in moved and present_run(spans, now) is not None:
            found.append(spans[0].number)
    return sorted(found)
