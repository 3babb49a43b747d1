"""Paths of fixed cameras beyond what all things have: how they are, and a try now."""

from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Path, Request

from service.api.things import thing_router
from service.cameras.camera_health import camera_health, cameras_health, shot_out
from service.cameras.camera_rounds import CameraRounds
from service.cameras.camera_things import CAMERAS
from service.models.base import LARGEST_ID
from service.models.cameras import Camera, CameraHealth, CamerasHealth, CameraShot
from service.problems import RESPONSES
from service.room.room_log import the_room
from service.route_arguments import TheService

CameraId = Annotated[int, Path(ge=1, le=LARGEST_ID)]

_special = APIRouter(prefix="/api/cameras", tags=["cameras"], responses=RESPONSES)


@_special.get("/health", summary="How all cameras are")
def all_health(service: TheService) -> CamerasHealth:
    """Those in use."""
    with service.database.read() as connection:
        return cameras_health(connection, service.clock())


@_special.get("/{camera_id}/health", summary="How a camera is")
def health(service: TheService, camera_id: CameraId) -> CameraHealth:
    """Its last photo, its last error, and whether it is dark, fogged, frozen or silent."""
    with service.database.read() as connection:
        camera = CAMERAS.get(connection, camera_id)
        assert isinstance(camera, Camera)
        zone = ZoneInfo(the_room(connection).time_zone)
        return camera_health(connection, camera, zone=zone, now=service.clock())


@_special.post("/{camera_id}/shot", status_code=201, summary="Ask a camera for a photo now")
def shot(request: Request, camera_id: CameraId) -> CameraShot:
    """Waits for the picture and its measuring; a failure is told in the answer and logged."""
    rounds: CameraRounds = request.app.state.cameras
    return shot_out(rounds.try_now(camera_id))


# The path of all cameras' health must be asked before that of one camera.
ROUTERS = (_special, thing_router(CAMERAS, "/api/cameras"))
