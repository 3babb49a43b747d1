"""Paths of the things that are entered, listed, corrected and withdrawn all alike."""

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query

from service.models.base import LARGEST_ID, Text
from service.models.room import History
from service.photos.ingest import tell_watchers
from service.problems import RESPONSES
from service.room import things
from service.room.resources import Resource
from service.room.thing_changes import correct_thing, withdraw_thing
from service.route_arguments import By, Limit, Offset, TheService

ThingIdPath = Annotated[int, Path(ge=1, le=LARGEST_ID)]
Why = Annotated[Text | None, Query(description="Why it is withdrawn.")]


def thing_router(resource: Resource, path: str, *, creates: bool = True) -> APIRouter:
    """The paths of one kind of thing.

    Parameters
    ----------
    resource : Resource
    path : str
        Such as ``/api/racks``; the last part names the kind in the description.
    creates : bool
        False where new ones are entered under another thing's path.
    """
    router = APIRouter(prefix=path, tags=[path.rsplit("/", 1)[-1]], responses=RESPONSES)
    label = path.rsplit("/", 1)[-1]
    if creates:
        _post(router, resource, label)

    @router.get("", response_model=list[resource.out], summary=f"List {label}")  # type: ignore[name-defined]
    def all_(service: TheService, limit: Limit = 200, offset: Offset = 0) -> Any:
        with service.database.read() as connection:
            return resource.all(connection, limit=limit, offset=offset)

    @router.get("/{thing_id}", response_model=resource.out, summary=f"One of the {label}")
    def get(service: TheService, thing_id: ThingIdPath) -> Any:
        with service.database.read() as connection:
            return resource.get(connection, thing_id)

    @router.get("/{thing_id}/history", summary=f"All that was said of one of the {label}")
    def history(service: TheService, thing_id: ThingIdPath) -> History:
        with service.database.read() as connection:
            return resource.history(connection, thing_id)

    def correct(service: TheService, by: By, thing_id: ThingIdPath, change: Any) -> Any:
        return correct_thing(service, resource, thing_id, change, by)

    _typed(correct, change=resource.change)
    router.patch("/{thing_id}", response_model=resource.out, summary=f"Correct one of the {label}")(
        correct
    )

    @router.delete("/{thing_id}", status_code=204, summary=f"Withdraw one of the {label}")
    def withdraw(service: TheService, by: By, thing_id: ThingIdPath, why: Why = None) -> None:
        withdraw_thing(service, resource, thing_id, by=by, why=why)

    return router


def _post(router: APIRouter, resource: Resource, label: str) -> None:
    def add(service: TheService, by: By, new: Any) -> Any:
        with service.database.write() as connection:
            out = resource.add(connection, new, by)
        # A reading, shelf or lot concerns trays that only the watchers can name.
        tell_watchers(service, ())
        return out

    _typed(add, new=resource.new)
    router.post("", status_code=201, response_model=resource.out, summary=f"Enter {label}")(add)


def _typed(route: Callable[..., Any], **types: type) -> None:
    """Give a route the model of its resource, which no annotation can name."""
    route.__annotations__.update(types)


ROUTERS = (
    thing_router(things.RACKS, "/api/racks"),
    thing_router(things.SHELVES, "/api/shelves"),
    thing_router(things.POSITIONS, "/api/positions"),
    thing_router(things.LOTS, "/api/lots"),
    thing_router(things.READINGS, "/api/readings"),
    thing_router(things.CHORES, "/api/chores"),
    thing_router(things.HARVESTS, "/api/harvests", creates=False),
    thing_router(things.PLACEMENTS, "/api/placements", creates=False),
    thing_router(things.TRAY_STATES, "/api/tray-states", creates=False),
)
