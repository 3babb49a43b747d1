"""Paths of runs: started, harvested, corrected."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query

from service.growth.growth import run_curves
from service.models.base import LARGEST_ID, Text
from service.models.growth import RunCurves
from service.models.room import History
from service.models.runs import Harvest, NewHarvest, NewRun, NewSplit, Run, RunChange
from service.problems import RESPONSES
from service.room.room_changes import harvest_run
from service.room.room_log import the_room
from service.room.things import HARVESTS, RUNS
from service.route_arguments import By, Limit, Offset, TheService
from service.runs.run_calendar import run_spans, span_of
from service.runs.run_changes import correct_run, new_run, withdraw_run
from service.runs.run_log import run_out, runs_out, seed_of_entries
from service.runs.run_splitting import split_run

router = APIRouter(prefix="/api/runs", tags=["runs"], responses=RESPONSES)

RunId = Annotated[int, Path(ge=1, le=LARGEST_ID)]


@router.post("", status_code=201, summary="A tray was spread")
def post_run(service: TheService, by: By, new: NewRun) -> Run:
    """Only the tray is asked for; the rest can be added later."""
    return new_run(service, new, by)


@router.get("", summary="Runs, the last spread first")
def list_runs(
    service: TheService,
    limit: Limit = 200,
    offset: Offset = 0,
    growing: Annotated[bool | None, Query(description="Only those under way, or ended.")] = None,
) -> list[Run]:
    """Of all trays."""
    with service.database.read() as connection:
        room, now = the_room(connection), service.clock()
        spans = sorted(run_spans(connection), key=lambda span: span.spread_at, reverse=True)
        if growing is not None:
            spans = [
                span for span in spans if (span.ended_at is None or span.ended_at > now) is growing
            ]
        chosen = spans[offset : offset + limit]
        return runs_out(connection, chosen, room=room, now=now)


@router.get("/{run_id}", summary="One run")
def get_run(service: TheService, run_id: RunId) -> Run:
    """With its days from spreading and from soaking."""
    with service.database.read() as connection:
        span = span_of(connection, run_id)
        return run_out(connection, span, room=the_room(connection), now=service.clock())


@router.get("/{run_id}/curve", summary="Growth of one run")
def get_run_curve(service: TheService, run_id: RunId) -> RunCurves:
    """As for a tray's present run."""
    with service.database.read() as connection:
        return run_curves(connection, run_id, room=the_room(connection), now=service.clock())


@router.get("/{run_id}/history", summary="All that was said of a run")
def run_history(service: TheService, run_id: RunId) -> History:
    """First entry first, each with its seed."""
    with service.database.read() as connection:
        said = RUNS.history(connection, run_id)
        seed = seed_of_entries(connection, [entry.entry_id for entry in said.entries])
        for entry in said.entries:
            parts = seed.get(entry.entry_id, [])
            entry.values["seed"] = [part.model_dump() for part in parts]
        return said


@router.patch("/{run_id}", summary="Correct a run")
def patch_run(service: TheService, by: By, run_id: RunId, change: RunChange) -> Run:
    """Photos move to the run that they then belong to."""
    return correct_run(service, run_id, change, by)


@router.delete("/{run_id}", status_code=204, summary="Withdraw a run")
def delete_run(
    service: TheService,
    by: By,
    run_id: RunId,
    why: Annotated[Text | None, Query()] = None,
) -> None:
    """It was never started; its photos belong to the run before."""
    withdraw_run(service, run_id, by=by, why=why)


@router.post("/{run_id}/split", status_code=201, summary="A part was put into another tray")
def post_split(service: TheService, by: By, run_id: RunId, new: NewSplit) -> Run:
    """It grows on there, as old as before, with its part of the seed."""
    return split_run(service, run_id, new, by).run


@router.post("/{run_id}/harvests", status_code=201, summary="A tray was harvested")
def post_harvest(service: TheService, by: By, run_id: RunId, new: NewHarvest) -> Harvest:
    """Or thrown, or a part of it was taken."""
    return harvest_run(service, run_id, new, by)


@router.get("/{run_id}/harvests", summary="What was taken of a run")
def list_harvests(service: TheService, run_id: RunId) -> list[Harvest]:
    """Latest first."""
    with service.database.read() as connection:
        span_of(connection, run_id)
        found: Any = HARVESTS.all(connection, limit=1000, where={"run_id": run_id})
        return found  # type: ignore[no-any-return]
