"""Work of a room that something interrupts: the log is away, or somebody else holds it."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from service.photos.ingest import photo_trays
from tests.service.conftest import START, Room
from tests.service.picture_servers import jpeg


def files(room: Room) -> list[str]:
    """Names of the photos that the log knows."""
    return [photo["file"] for photo in room.get("/api/photos")["photos"]]


def card_with_a_photo(room: Room, folder: Path) -> Callable[[], None]:
    """A watched folder that holds ``1.jpg``; call the answer to have it looked at."""
    app: Any = room.client.app
    (folder / "card").mkdir()
    room.post("/api/cameras", name="Card", kind="folder", address=str(folder / "card"))
    (folder / "card" / "1.jpg").write_bytes(jpeg())

    def look() -> None:
        room.watch.forward(seconds=5)
        app.state.cameras.look()
        app.state.cameras.finish()

    return look


def corrected_but_not_measured(room: Room) -> Callable[[], None]:
    """A photo of tray 17 whose run was corrected to be 2.25 days old, as if the service had then
    stopped; call the answer to have measured what waits for it."""
    run = room.post("/api/runs", tray=17, spread_at=START.isoformat())["id"]
    room.watch.forward(days=2)
    photo = room.photograph(17, room.watch.now)["id"]
    room.remeasured()
    correct = room.service.watchers.copy()
    room.service.watchers.clear()
    room.patch(f"/api/runs/{run}", spread_at=START.replace(hour=1).isoformat())
    room.service.watchers.extend(correct)
    trays = photo_trays(room.service, photo)
    return lambda: room.remeasurer(room.service, trays)
