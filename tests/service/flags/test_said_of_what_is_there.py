"""Pages say of a tray, a bag and a camera what the log and the photos know of them now."""

import re
from datetime import timedelta

from tests.service.conftest import START, Room
from tests.service.flags.test_attention import look, mouldy, only, spread


def words(room: Room, path: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", room.client.get(path).text).split())


def test_tray_that_is_green_after_its_harvest_asks_whose_harvest_it_was(room: Room) -> None:
    spread_at = (START - timedelta(days=6)).isoformat()
    run = room.post("/api/runs", tray=5, spread_at=spread_at)["id"]
    room.photograph(5, START, cover=0.9)
    room.watch.forward(minutes=10)
    room.post(f"/api/runs/{run}/harvests", weight_g=3000.0)
    asked = "Correct of which tray the harvest was"
    assert asked not in words(room, "/trays/5")
    room.watch.forward(hours=3)
    # What is left after a harvest is no growth.
    room.photograph(5, room.watch.now, cover=0.05)
    assert asked not in words(room, "/trays/5")
    room.watch.forward(hours=1)
    room.photograph(5, room.watch.now, cover=0.9)
    page = words(room, "/trays/5")
    assert "A photo of today 12:10 shows shoots over 90 % of it , and by the log nothing" in page
    assert f'href="/runs/{run}">{asked}' in room.client.get("/trays/5").text
    # It is no sign of mould.
    assert "Possible mould" not in page
    room.watch.forward(days=2, hours=1)
    assert asked not in words(room, "/trays/5")


def test_list_of_lots_says_what_is_left_of_each(room: Room) -> None:
    ids = [
        room.post("/api/lots", name=name, **said)["id"]
        for name, said in (("A", {"weight_kg": 1.0}), ("B", {"weight_kg": 25.0}), ("C", {}))
    ]
    for tray, lot, grams in ((1, 0, 1000.0), (2, 1, 500.0), (3, 2, 500.0)):
        room.post("/api/runs", tray=tray, seed=[{"lot_id": ids[lot], "weight_g": grams}])
    page = words(room, "/set-up/lots")
    assert "A barley, 1 kg, nothing left, not counted" in page
    assert "B barley, 25 kg, 24.5 kg left, not counted" in page
    assert "C barley, not counted" in page


def test_silent_camera_shows_no_photo_of_a_phone(room: Room) -> None:
    rack = room.post("/api/racks", name="R")["id"]
    shelf = room.post("/api/shelves", rack_id=rack, name="Upper", level=1)["id"]
    spread_at = (START - timedelta(days=3)).isoformat()
    room.post("/api/runs", tray=7, spread_at=spread_at)
    room.post("/api/trays/7/placements", shelf_id=shelf, placed_at=spread_at)
    room.post(
        "/api/cameras",
        name="Over it",
        kind="sends photos",
        shelf_id=shelf,
        options={"silent_after_hours": 12},
    )
    room.photograph(7, START, camera="Over it")
    room.watch.forward(hours=20)
    room.photograph(7, room.watch.now)
    look(room)
    flag = only(room, "camera")
    assert flag["tray"] == 7
    for path in ("/", f"/flags/{flag['id']}"):
        page = words(room, path)
        assert "Camera Over it is silent" in page
        assert "Last photo: today" not in page
        assert "Last photo: tomorrow" not in page


def test_the_room_does_not_count_its_trays_again_where_all_are_meant(room: Room) -> None:
    for tray in (1, 2, 3):
        spread(room, tray)
        mouldy(room, tray, 3.5, 4.25)
    page = words(room, "/room")
    assert "3 trays grow. None is due today. All are to be looked at first." in page
