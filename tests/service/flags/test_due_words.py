"""A tray that is due later today is not said to be ready, nor due since a moment to come."""

import re

from tests.service.conftest import Room
from tests.service.flags.test_attention import at, look, only, snap, spread


def words(room: Room, path: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", room.client.get(path).text).split())


def test_pages_say_from_when_it_is_due_and_since_when_it_was(room: Room) -> None:
    room.patch("/api/room", target_day=5.0)
    spread(room, 17, 18)
    for tray in (17, 18):
        snap(room, tray, 4.75, height_mm=60.0)
    room.watch.now = at(4.8)
    look(room)
    flag = only(room, "ready")
    for path in (f"/flags/{flag['id']}", "/trays/17"):
        page = words(room, path)
        # The fifth day ends at 08:00 in Vienna.
        assert "Trays 17 and 18, day 5: due for harvest Fri 6 Mar 08:00." in page
        assert "From today 08:00" in page
        assert "Since today 08:00" not in page
    room.watch.now = at(5.1)
    look(room)
    for path in (f"/flags/{flag['id']}", "/trays/17"):
        page = words(room, path)
        assert "Trays 17 and 18, day 5: ready to harvest." in page
        assert "Since today 08:00" in page
