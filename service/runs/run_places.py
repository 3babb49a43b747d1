"""Where trays stood, and so where runs stand or ended."""

from collections.abc import Sequence
from datetime import datetime, timedelta

import sqlalchemy as sa

from service.log.log_memory import TrayRows, last_until, rows_by_tray, since_last
from service.log.schema import PLACEMENT
from service.models.room import Placement
from service.runs.run_calendar import RunCalendar, RunSpan, present_run, run_calendar

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


def source_of(calendar: RunCalendar, part: RunSpan) -> RunSpan | None:
    """The run whose tray a part was taken from, itself a part where it was split on."""
    return calendar.by_id.get(part.row["taken_from_id"] or 0)


def taken_of(calendar: RunCalendar, span: RunSpan) -> list[RunSpan]:
    """Parts that were put into other trays out of a run's own tray."""
    parts = calendar.parts.get(span.split_from_id or span.id, ())
    return [part for part in parts if part.row["taken_from_id"] == span.id]


def came_through(calendar: RunCalendar, part: RunSpan) -> list[tuple[RunSpan, datetime]]:
    """The runs in whose trays a part lay before, the last first, each with when it was taken out.

    None of a run that was spread in its own tray.
    """
    found: dict[int, tuple[RunSpan, datetime]] = {}
    here = part
    # A log from elsewhere may lead back to where it began.
    while (source := source_of(calendar, here)) and source.id not in found:
        found[source.id] = source, here.begins_at
        here = source
    return list(found.values())


# Shelves, None: on none, each with since when; the first also for all time before.
Stood = tuple[tuple[datetime, int | None], ...]


def stood_on(places: TrayRows, calendar: RunCalendar, span: RunSpan) -> Stood:
    """Shelves on which a run stood, in order: of a part first where it was taken from.

    Parameters
    ----------
    places : mapping
        As `PLACES` gives them.
    calendar : RunCalendar
    span : RunSpan
    """
    stood: list[tuple[datetime, int | None]] = []
    legs = [(span, span.until), *came_through(calendar, span)]
    for run, until in reversed(legs):
        rows = since_last(places.get(run.tray_id, ()), "placed_at", run.begins_at)
        known = [row for row in rows if row["placed_at"] < until]
        for number, row in enumerate(known):
            # Before it was first put somewhere it stood where it was put then.
            since = run.begins_at if number == 0 else row["placed_at"]
            if not stood or stood[-1][1] != row["shelf_id"]:
                stood.append((since, row["shelf_id"]))
    return tuple(stood)


def growing_in_place(
    connection: sa.Connection, position_id: int, moment: datetime
) -> list[RunSpan]:
    """Runs that lay in trays at a position at a moment, by the numbers of their trays."""
    places, found = PLACES.of(connection), []
    for tray_id, spans in run_calendar(connection).by_tray.items():
        place = last_until(places.get(tray_id, ()), "placed_at", moment)
        if place is not None and place["position_id"] == position_id:
            found += [span for span in spans if span.holds(moment)]
    return sorted(found, key=lambda span: span.number)


def others_in_place(
    connection: sa.Connection, placed: Sequence[Placement], *, now: datetime
) -> list[int]:
    """Numbers of other growing trays that stand at the very positions of some placements.

    No page forbids it: of two trays that change places, one is written down first.
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
