"""Paths of trays and shelves: what stands where, its run, its curves."""

from typing import Annotated, Any

from fastapi import APIRouter, Path

from service.flags.today import RoomNow
from service.growth.growth import RoomGrowth
from service.log.refusals import NotFound
from service.models.base import LARGEST_ID
from service.models.growth import RunCurves, ShelfCurves
from service.models.room import (
    NewPlacement,
    NewTray,
    NewTrayState,
    Placement,
    Tray,
    TrayChange,
    TrayStateEntry,
)
from service.models.runs import Run
from service.models.today import TrayOut, TraysOut
from service.photos.ingest import tell_watchers
from service.problems import RESPONSES
from service.room.room_changes import place_tray
from service.room.room_log import register_tray, the_room, tray_numbered
from service.room.things import PLACEMENTS, TRAY_STATES, TRAYS
from service.route_arguments import By, Limit, Offset, TheService
from service.runs.run_calendar import present_run, run_spans
from service.runs.run_log import runs_out
from trayvision.reference_kit import LAST_TRAY_NUMBER

router = APIRouter(prefix="/api", tags=["trays"], responses=RESPONSES)

TrayNumberPath = Annotated[int, Path(ge=0, le=LAST_TRAY_NUMBER)]


@router.get("/trays", summary="All trays by number")
def list_trays(service: TheService) -> TraysOut:
    """Each as it is now."""
    with service.database.read() as connection:
        return TraysOut(trays=RoomNow(connection, the_room(connection), service.clock()).trays())


@router.post("/trays", status_code=201, response_model=Tray, summary="Register a tray")
def post_tray(service: TheService, by: By, new: NewTray) -> Any:
    """A photo that shows a new tray registers it too."""
    with service.database.write() as connection:
        tray_id = register_tray(connection, new.number, by=by, size=new.size, note=new.note)
        return TRAYS.get(connection, tray_id)


@router.get("/trays/{number}", summary="A tray now")
def get_tray(service: TheService, number: TrayNumberPath) -> TrayOut:
    """Its present run, latest inspection, stage and forecast."""
    with service.database.read() as connection:
        row = tray_numbered(connection, number)
        return RoomNow(connection, the_room(connection), service.clock()).tray(row)


@router.patch("/trays/{number}", response_model=Tray, summary="Correct a tray")
def patch_tray(service: TheService, by: By, number: TrayNumberPath, change: TrayChange) -> Any:
    """Its size or note; its number is printed on it and stays."""
    with service.database.write() as connection:
        return TRAYS.correct(connection, tray_numbered(connection, number)["id"], change, by)


@router.get("/trays/{number}/curve", summary="Growth of a tray's present or last run")
def get_curve(service: TheService, number: TrayNumberPath) -> RunCurves:
    """Points with uncertainty, fitted curves with interval, forecast of harvest."""
    with service.database.read() as connection:
        tray_id = tray_numbered(connection, number)["id"]
        growth = RoomGrowth(connection, the_room(connection), service.clock())
        spans = growth.calendar.by_tray.get(tray_id, ())
        if not spans:
            raise NotFound("run", f"of tray {number}")
        span = present_run(spans, service.clock()) or spans[-1]
        return growth.curves(growth.readings([span])[0])


@router.get("/trays/{number}/runs", summary="Runs of a tray, oldest first")
def get_runs(service: TheService, number: TrayNumberPath) -> list[Run]:
    """From spreading to harvest."""
    with service.database.read() as connection:
        room, now = the_room(connection), service.clock()
        spans = run_spans(connection, tray_numbered(connection, number)["id"])
        return runs_out(connection, spans, room=room, now=now)


@router.get("/trays/{number}/placements", summary="Where a tray stood, latest first")
def get_placements(
    service: TheService, number: TrayNumberPath, limit: Limit = 200, offset: Offset = 0
) -> list[Placement]:
    """Back-dated entries lie where they belong."""
    with service.database.read() as connection:
        where = {"tray_id": tray_numbered(connection, number)["id"]}
        found: Any = PLACEMENTS.all(connection, limit=limit, offset=offset, where=where)
        return found  # type: ignore[no-any-return]


@router.post(
    "/trays/{number}/placements",
    status_code=201,
    response_model=Placement,
    summary="Put a tray somewhere",
)
def post_placement(service: TheService, by: By, number: TrayNumberPath, new: NewPlacement) -> Any:
    """Its history stays and follows it."""
    return place_tray(service, number, new, by)


@router.post(
    "/trays/{number}/states",
    status_code=201,
    response_model=TrayStateEntry,
    summary="Say that a tray is empty, rests or is out of use",
)
def post_state(service: TheService, by: By, number: TrayNumberPath, new: NewTrayState) -> Any:
    """Growing follows from its run: while it grows, nothing else can be said of it."""
    with service.database.write() as connection:
        tray_id = tray_numbered(connection, number)["id"]
        said = TRAY_STATES.add(connection, new, by, belongs_to={"tray_id": tray_id})
    tell_watchers(service, [tray_id])
    return said


@router.get("/shelves/{thing_id}/curves", summary="Growth on a shelf, comparable by age")
def get_shelf_curves(
    service: TheService, thing_id: Annotated[int, Path(ge=1, le=LARGEST_ID)]
) -> ShelfCurves:
    """Its runs, and what is usual there against the room's average."""
    with service.database.read() as connection:
        return RoomGrowth(connection, the_room(connection), service.clock()).shelf(thing_id)
