"""Racks, shelves and positions, and the trays on them."""

from typing import Any

import pytest

from tests.service.conftest import Room
from tests.service.recorded_inspections import picture_saying


@pytest.fixture
def shelves(room: Room) -> tuple[int, int]:
    rack = room.post("/api/racks", name="left")["id"]
    top, low = (
        int(room.post("/api/shelves", rack_id=rack, name=name, level=level)["id"])
        for name, level in (("top", 1), ("low", 2))
    )
    return top, low


def _errors(room: Room, path: str, **body: Any) -> Any:
    answer = room.client.post(path, json=body)
    assert answer.status_code in (404, 409, 422), answer.text
    return answer.json()["errors"]


def test_room_is_set_up_once_and_then_its_own(room: Room) -> None:
    assert room.get("/api/room")["name"] == "Growing room"
    room.patch("/api/room", name="Cellar", tray_size="400 x 250 x 50")
    now = room.get("/api/room")
    assert (now["name"], now["tray_size"]) == ("Cellar", "400x250x50")
    names = [one["values"]["name"] for one in room.get("/api/room/history")["entries"]]
    assert names == ["Growing room", "Cellar"]


@pytest.mark.parametrize("field", ["name", "time_zone", "tray_size", "grain"])
def test_room_keeps_what_it_cannot_do_without(room: Room, field: str) -> None:
    answer = room.client.patch("/api/room", json={field: None})
    assert answer.status_code == 422
    assert answer.json()["errors"] == [{"field": field, "rule": "must have a value, got null"}]


def test_shelf_names_are_one_racks_own(room: Room, shelves: tuple[int, int]) -> None:
    rack = room.get(f"/api/shelves/{shelves[0]}")["rack_id"]
    (error,) = _errors(room, "/api/shelves", rack_id=rack, name="top", level=3)
    assert error["field"] == "name"
    other = room.post("/api/racks", name="right")["id"]
    room.post("/api/shelves", rack_id=other, name="top", level=1)


def test_position_belongs_to_its_shelf(room: Room, shelves: tuple[int, int]) -> None:
    top, low = shelves
    position = room.post("/api/positions", shelf_id=top, name="3")["id"]
    room.post("/api/trays", number=4)
    path = "/api/trays/4/placements"
    (error,) = _errors(room, path, shelf_id=low, position_id=position)
    assert error["field"] == "position_id"
    room.post(path, shelf_id=top, position_id=position)
    tray = room.get("/api/trays/4")
    assert (tray["shelf"], tray["position_id"]) == ("top", position)


def test_position_stays_on_its_shelf_once_a_tray_was_put_there(
    room: Room, shelves: tuple[int, int]
) -> None:
    top, low = shelves
    path = f"/api/positions/{room.post('/api/positions', shelf_id=top, name='3')['id']}"
    position = room.patch(path, shelf_id=low)["id"]
    room.post("/api/trays", number=4)
    placed = room.post("/api/trays/4/placements", shelf_id=low, position_id=position)
    # Where the tray stood before counts as well as where it stands.
    room.watch.forward(days=1)
    room.post("/api/trays/4/placements", shelf_id=top)
    answer = room.client.patch(path, json={"shelf_id": top})
    assert answer.status_code == 409
    assert answer.json()["errors"] == [
        {
            "field": "shelf_id",
            "rule": f"must stay {low}, since trays were put at position {position} there, got "
            f"{top}; add a position to the other shelf and move its trays",
        }
    ]
    assert room.get(path)["shelf_id"] == low
    assert room.patch(path, name="3 left")["name"] == "3 left"
    # A tray that never was there keeps nothing.
    assert room.client.delete(f"/api/placements/{placed['id']}").status_code == 204
    assert room.patch(path, shelf_id=top)["shelf_id"] == top


def test_move_of_a_position_is_not_undone_under_a_tray(
    room: Room, shelves: tuple[int, int]
) -> None:
    top, low = shelves
    path = f"/api/positions/{room.post('/api/positions', shelf_id=top, name='3')['id']}"
    position = room.patch(path, shelf_id=low)["id"]
    moved = room.get(f"{path}/history")["entries"][-1]["entry_id"]
    room.post("/api/trays", number=4)
    room.post("/api/trays/4/placements", shelf_id=low, position_id=position)
    answer = room.client.post("/undo", data={"entry": f"position:{moved}"})
    assert answer.status_code == 409
    assert room.get(path)["shelf_id"] == low


def test_tray_can_be_taken_off_the_racks(room: Room, shelves: tuple[int, int]) -> None:
    room.post("/api/trays", number=4)
    room.post("/api/trays/4/placements", shelf_id=shelves[0])
    room.watch.forward(hours=1)
    room.post("/api/trays/4/placements")
    assert room.get("/api/trays/4")["shelf_id"] is None


def test_wrong_placement_is_corrected_beside_the_first(
    room: Room, shelves: tuple[int, int]
) -> None:
    top, low = shelves
    room.post("/api/trays", number=4)
    placed = room.post("/api/trays/4/placements", shelf_id=top)
    room.patch(f"/api/placements/{placed['id']}", shelf_id=low, why="wrong tap")
    assert room.get("/api/trays/4")["shelf"] == "low"
    history = room.get(f"/api/placements/{placed['id']}/history")["entries"]
    assert [one["values"]["shelf_id"] for one in history] == [top, low]


def test_tray_number_is_registered_once(room: Room) -> None:
    room.post("/api/trays", number=4, size="400x250x50")
    (error,) = _errors(room, "/api/trays", number=4)
    assert error == {"field": "number", "rule": "must be a new tray's, but tray 4 is in the log"}
    assert room.get("/api/trays/4")["size"] == "400x250x50"


def test_own_size_goes_to_the_library(room: Room) -> None:
    room.post("/api/trays", number=4, size="400x250x50")
    room.send(picture_saying("any photo"))
    job = room.inspector.jobs[-1]
    assert (job.tray_size, job.sizes) == ("540x280x60", {4: "400x250x50"})


def test_two_lots_in_one_tray(room: Room) -> None:
    lots = [room.post("/api/lots", name=name)["id"] for name in ("B1", "B2")]
    seed = [{"lot_id": lots[0], "weight_g": 300}, {"lot_id": lots[1], "weight_g": 150}]
    run = room.post("/api/runs", tray=4, seed=seed)
    assert run["seed"] == seed
    # A correction of anything else brings the seed along.
    assert room.patch(f"/api/runs/{run['id']}", note="from two bags")["seed"] == seed
    (error,) = _errors(room, "/api/runs", tray=5, seed=[seed[0], seed[0]])
    assert error == {"field": "seed", "rule": "must name each lot once"}


def test_position_holds_one_growing_tray(room: Room, shelves: tuple[int, int]) -> None:
    top = shelves[0]
    places = [
        int(room.post("/api/positions", shelf_id=top, name=name)["id"]) for name in ("1", "2")
    ]
    runs = {tray: room.post("/api/runs", tray=tray)["id"] for tray in (4, 5)}
    for tray, place in zip((4, 5), places, strict=True):
        room.post(f"/api/trays/{tray}/placements", shelf_id=top, position_id=place)
    room.watch.forward(hours=1)
    before = room.get("/api/trays/5/placements")
    taken = {"shelf_id": top, "position_id": places[0]}
    (error,) = _errors(room, "/api/trays/5/placements", **taken)
    assert error == {
        "field": "position_id",
        "rule": f"must be free at 2026-03-02 08:00 UTC, but tray 4 (run {runs[4]}) grows at "
        f"position {places[0]} then; move that tray first",
    }
    assert room.get("/api/trays/5/placements") == before
    # Both change places by way of no shelf; where tray 4 was harvested, nothing grows.
    room.post("/api/trays/4/placements")
    room.post("/api/trays/5/placements", **taken)
    room.post("/api/trays/4/placements", shelf_id=top, position_id=places[1])
    room.post(f"/api/runs/{runs[4]}/harvests")
    room.watch.forward(hours=1)
    room.post("/api/trays/5/placements", shelf_id=top, position_id=places[1])
