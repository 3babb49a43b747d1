"""The page of one run: all that was written of it, each entry to be corrected, all of it kept."""

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa
from fastapi import APIRouter, Request
from starlette.responses import Response

from service.log.entries import histories_of, histories_of_tray, history
from service.log.refusals import NotFound
from service.log.schema import HARVEST, RUN
from service.models.runs import EndReason, Run
from service.pages import addresses
from service.pages.frame import show
from service.pages.runs.harvesting import RunId
from service.pages.words import Say
from service.pages.written.written import (
    HARVESTS,
    PLACEMENTS,
    RUNS,
    STATES,
    TABLES,
    Names,
    Written,
    all_written,
    written,
)
from service.room.room_log import the_room
from service.route_arguments import TheService
from service.runs.run_calendar import RunSpan, run_spans, span_of
from service.runs.run_log import run_out

router = APIRouter(include_in_schema=False)

_ENDED = {
    EndReason.HARVESTED: "harvested",
    EndReason.THROWN: "thrown",
    EndReason.OTHER: "taken for something else",
    EndReason.NEXT_RUN: "ended without a harvest when the tray was spread again,",
}


@dataclass(frozen=True)
class RunPage:
    """One run and what was written of it.

    Parameters
    ----------
    tray : int
        Number of its tray.
    run : Run or None
        None once it was withdrawn.
    ended : str
        How and when it ended, empty while it grows.
    things : tuple of Written
        Spreading, harvests, places and states, in the order in which they were first written.
    """

    tray: int
    run: Run | None
    ended: str
    things: tuple[Written, ...]


@router.get("/runs/{run_id}")
def run_page(service: TheService, request: Request, run_id: RunId) -> Response:
    """All that was written of one run."""
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())
        page = _page(connection, say, run_id)
        return show(request, connection, "written/run.html", page, here=addresses.ROOM)


def _page(connection: sa.Connection, say: Say, run_id: int) -> RunPage:
    names = Names(connection, say)
    first = written(connection, RUNS, run_id, names)
    harvests = all_written(HARVESTS, histories_of(connection, HARVEST, "run_id", run_id), names)
    try:
        span = span_of(connection, run_id)
    except NotFound:
        tray_id = history(connection, RUN, run_id)[-1]["tray_id"]
        return RunPage(names.tray(tray_id), None, "", (first, *harvests))
    run = run_out(connection, span, room=say.room, now=say.now)
    until = _until(connection, span)

    def within(kind: str, moment: str) -> list[Written]:
        """Things of the run's tray, by when they were, from its spreading to the next one."""
        things = histories_of_tray(
            connection,
            TABLES[kind],
            span.tray_id,
            moment=moment,
            since=span.begins_at,
            until=until,
        )
        return all_written(kind, things, names)

    places, states = within(PLACEMENTS, "placed_at"), within(STATES, "since_at")
    return RunPage(run.tray, run, _ended(run, say), (first, *places, *harvests, *states))


def _ended(run: Run, say: Say) -> str:
    if run.ended_at is None or run.ended_at > say.now:
        return ""
    words = _ENDED[run.ended_reason or EndReason.OTHER]
    weighed = run.ended_reason is not EndReason.NEXT_RUN or run.harvest_weight_g is not None
    if run.ended_reason is EndReason.THROWN:
        weight = f", {say.weight(run.thrown_weight_g)}"
        if run.harvest_weight_g is not None:
            weight += f"; harvested before: {say.weight(run.harvest_weight_g)}"
    else:
        weight = f", {say.weight(run.harvest_weight_g)}" if weighed else ""
        if run.thrown_weight_g is not None:
            weight += f"; thrown: {say.weight(run.thrown_weight_g)}"
    return f"{words} {say.moment(run.ended_at)}{weight}"


def _until(connection: sa.Connection, span: RunSpan) -> datetime | None:
    """When the tray's next run starts."""
    later = [one for one in run_spans(connection, span.tray_id) if one.begins_at > span.begins_at]
    return later[0].begins_at if later else None
