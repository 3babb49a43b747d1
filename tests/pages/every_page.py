"""Addresses of all pages, read from the list of routers: what lands later is found by itself."""

import re
from collections.abc import Callable

from fastapi.routing import APIRoute

from service.pages.routers import ROUTERS
from tests.pages.house import MOULDY_TRAY, House

# Files of the pages, no pages.
_NO_PAGES = (
    "/static/{name}",
    "/trays/{number}/place.jpg",
    "/charts/runs/{run_id}/{name}",
    "/worker.js",
    "/photos/{photo_id}/result",
    "/charts/shelves",
    "/charts/shelves/{shelf_id}",
    "/set-up/kit/kit.pdf",
)
_LISTS = {
    "flag_id": ("/api/flags", "flags"),
    "photo_id": ("/api/photos", "photos"),
    "target_id": ("/api/notifications/targets", ""),
}


def page_paths() -> list[str]:
    """Paths as declared of everything that pages answer to a plain look."""
    found = {
        route.path
        for router in ROUTERS
        for route in router.routes
        if isinstance(route, APIRoute) and "GET" in (route.methods or ())
    }
    return sorted(found - set(_NO_PAGES))


def example(path: str, house: House) -> str:
    """An address of a declared path with things of a furnished house in it.

    Raises
    ------
    ValueError
        If it is not known what to put in: then say it in `_PARAMETERS` or `_LISTS`.
    """
    for name in re.findall(r"{(\w+)(?::\w+)?}", path):
        path = re.sub(rf"{{{name}(:\w+)?}}", str(_value(name, path, house)), path, count=1)
    return path


_PARAMETERS: dict[str, Callable[[House], object]] = {
    "number": lambda _: MOULDY_TRAY,
    "tray": lambda _: MOULDY_TRAY,
    "run_id": lambda house: house.get(f"/api/trays/{MOULDY_TRAY}")["run"]["id"],
    "person_id": lambda house: _first(house.get("/api/people")),
    "camera_id": lambda house: _first(house.get("/api/cameras")),
    "kind": lambda _: "runs",
    "role": lambda _: "now",
    "part": lambda _: "runs",
}


def _value(name: str, path: str, house: House) -> object:
    if name in _PARAMETERS:
        return _PARAMETERS[name](house)
    if name in _LISTS:
        address, key = _LISTS[name]
        found = house.get(address)
        return _first(found[key] if isinstance(found, dict) else found)
    # Such as /set-up/racks/{thing_id}, /shelves/{shelf_id}.
    things = path.partition(f"/{{{name}")[0].rpartition("/")[2]
    answer = house.client.get(f"/api/{things}")
    if answer.status_code != 200 or not name.endswith("_id"):
        raise ValueError(f"name must be a parameter that is known, got {name!r} of {path!r}")
    found = answer.json()
    return _first(next(iter(found.values())) if isinstance(found, dict) else found)


def _first(things: list[dict[str, object]]) -> object:
    if not things:
        raise ValueError("things must hold one of each kind, got none: furnish the house with it")
    return things[0]["id"]
