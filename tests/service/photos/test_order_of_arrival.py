"""Late, back-dated and out-of-order entries land where they belong, and what follows follows."""

from datetime import datetime, timedelta
from itertools import permutations
from typing import Any

import pytest

from tests.service.conftest import START, Room
from tests.service.recorded_inspections import photo_bytes

SPREAD = START - timedelta(days=6)
# (days after spreading, shoot height in mm)
SERIES = ((1.0, 1.0), (3.0, 12.0), (4.0, 35.0), (5.0, 65.0))


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _send_series(room: Room, order: tuple[int, ...]) -> None:
    for index in order:
        day, height = SERIES[index]
        room.photograph(17, SPREAD + timedelta(days=day), height_mm=height, cover=day / 10)


def _growth(room: Room) -> Any:
    """The curve without the numbers of photos and runs, which do count the order of arrival."""
    curve = room.get("/api/trays/17/curve")
    for quantity in ("height", "cover"):
        for point in curve[quantity]["points"]:
            del point["photo_id"]
    return curve


@pytest.fixture(scope="module")
def curves() -> dict[str, Any]:
    return {}


@pytest.mark.parametrize("order", [*list(permutations(range(4)))[::12], (3, 2, 1, 0)])
def test_order_of_arrival_changes_nothing(
    room: Room, order: tuple[int, ...], curves: dict[str, Any]
) -> None:
    room.post("/api/runs", tray=17, spread_at=SPREAD.isoformat())
    _send_series(room, order)
    curve = _growth(room)
    assert [point["day"] for point in curve["height"]["points"]] == [day for day, _ in SERIES]
    assert curve == curves.setdefault("first", curve)


def test_run_entered_after_its_photos_takes_them_in(room: Room) -> None:
    _send_series(room, (0, 1, 2, 3))
    assert room.client.get("/api/trays/17/curve").status_code == 404
    room.post("/api/runs", tray=17, spread_at=SPREAD.isoformat())
    days = [point["day"] for point in _growth(room)["height"]["points"]]
    assert days == [day for day, _ in SERIES]


def test_late_run_has_its_photos_measured_again_with_their_day(room: Room) -> None:
    _send_series(room, (1, 3))
    run = room.post("/api/runs", tray=17, spread_at=SPREAD.isoformat())
    room.remeasured()
    latest = room.get("/api/trays/17")["latest"]
    assert latest["trays"][0]["day"] == 5.0
    room.patch(f"/api/runs/{run['id']}", spread_at=(SPREAD - timedelta(days=1)).isoformat())
    room.remeasured()
    assert room.get("/api/trays/17")["latest"]["trays"][0]["day"] == 6.0
    assert len(room.inspector.jobs) == 6


def test_date_corrected_to_and_fro_is_followed_every_time(room: Room) -> None:
    run = room.post("/api/runs", tray=17, spread_at=SPREAD.isoformat())
    _send_series(room, (1,))
    for late_days in (1, 0, 1, 0):
        moved = (SPREAD + timedelta(days=late_days)).isoformat()
        room.patch(f"/api/runs/{run['id']}", spread_at=moved)
        room.remeasured()
        (tray,) = room.get("/api/trays/17")["latest"]["trays"]
        assert tray["day"] == 3.0 - late_days


def test_corrected_spreading_moves_every_point(room: Room) -> None:
    run = room.post("/api/runs", tray=17, spread_at=SPREAD.isoformat())
    _send_series(room, (0, 1, 2, 3))
    before = room.get("/api/trays/17")["forecast"]["harvest_at"]
    earlier = (SPREAD - timedelta(hours=12)).isoformat()
    room.patch(f"/api/runs/{run['id']}", spread_at=earlier, why="it was the evening before")
    days = [point["day"] for point in _growth(room)["height"]["points"]]
    assert days == [day + 0.5 for day, _ in SERIES]
    assert room.get("/api/trays/17")["forecast"]["harvest_at"] != before
    entries = room.get(f"/api/runs/{run['id']}/history")["entries"]
    assert [_moment(entry["values"]["spread_at"]) for entry in entries] == [
        SPREAD,
        SPREAD - timedelta(hours=12),
    ]


def test_corrected_photo_moves_to_the_run_of_its_moment(room: Room) -> None:
    old = room.post("/api/runs", tray=17, spread_at=(SPREAD - timedelta(days=9)).isoformat())
    new = room.post("/api/runs", tray=17, spread_at=SPREAD.isoformat())
    photo = room.photograph(17, SPREAD + timedelta(days=2), height_mm=9.0)
    points = room.get(f"/api/runs/{new['id']}/curve")["height"]["points"]
    assert [point["photo_id"] for point in points] == [photo["id"]]
    moved = (SPREAD - timedelta(days=3)).isoformat()
    changed = room.patch(f"/api/photos/{photo['id']}", taken_at=moved, why="camera's clock")
    assert changed["taken_at_from"] == "given"
    assert room.get(f"/api/runs/{new['id']}/curve")["height"]["points"] == []
    points = room.get(f"/api/runs/{old['id']}/curve")["height"]["points"]
    assert [point["day"] for point in points] == [6.0]
    history = room.get(f"/api/photos/{photo['id']}/history")["entries"]
    assert [entry["values"]["taken_at_from"] for entry in history] == ["photo", "given"]


def test_photo_of_an_unknown_moment_counts_from_when_it_came(room: Room) -> None:
    run = room.post("/api/runs", tray=17, spread_at=SPREAD.isoformat())["id"]
    photo = room.photograph(17, SPREAD + timedelta(days=2), height_mm=9.0)
    path = f"/api/photos/{photo['id']}"
    room.watch.forward(hours=5)
    changed = room.patch(path, taken_at=None, why="the camera's clock was never set")
    assert _moment(changed["taken_at"]) == START
    assert changed["taken_at_from"] == "received"
    (point,) = room.get(f"/api/runs/{run}/curve")["height"]["points"]
    assert point["day"] == 6.0
    room.remeasured()
    assert room.get("/api/trays/17")["latest"]["trays"][0]["day"] == 6.0
    values = [one["values"] for one in room.get(f"{path}/history")["entries"]]
    assert [_moment(one["taken_at"]) for one in values] == [SPREAD + timedelta(days=2), START]
    assert [one["taken_at_from"] for one in values] == ["photo", "received"]


def test_photo_that_waited_for_a_link_counts_from_when_it_was_kept(room: Room) -> None:
    kept_at = (START - timedelta(hours=9)).isoformat()
    sent = room.send(photo_bytes({"number": 17}), kept_at=kept_at).json()["photos"][0]
    path = f"/api/photos/{sent['id']}"
    room.patch(path, taken_at=(START - timedelta(days=1)).isoformat())
    changed = room.patch(path, taken_at=None)
    assert (changed["taken_at"], changed["taken_at_from"]) == (sent["taken_at"], "received")
    assert _moment(changed["taken_at"]) == START - timedelta(hours=9)


def test_note_of_a_photo_is_taken_away_and_its_watering_is_not(room: Room) -> None:
    path = f"/api/photos/{room.photograph(17, START)['id']}"
    assert room.patch(path, note="lid fogged", watering="after")["note"] == "lid fogged"
    assert room.patch(path, why="nothing new")["note"] == "lid fogged"
    cleared = room.patch(path, note=None)
    assert (cleared["note"], cleared["watering"]) == (None, "after")
    answer = room.client.patch(path, json={"watering": None})
    assert answer.status_code == 422
    assert answer.json()["errors"] == [{"field": "watering", "rule": "must have a value, got null"}]


def test_forgotten_harvest_ends_with_the_next_run(room: Room) -> None:
    room.post("/api/runs", tray=17, spread_at=(SPREAD - timedelta(days=8)).isoformat())
    room.post("/api/runs", tray=17, spread_at=SPREAD.isoformat())
    first, second = room.get("/api/trays/17/runs")
    assert (_moment(first["ended_at"]), first["ended_reason"]) == (SPREAD, "next run started")
    assert second["ended_at"] is None
    late = room.post(
        f"/api/runs/{first['id']}/harvests",
        harvested_at=(SPREAD - timedelta(days=1)).isoformat(),
        weight_g=3600,
    )
    first, _ = room.get("/api/trays/17/runs")
    assert (first["ended_reason"], first["harvest_weight_g"]) == ("harvested", 3600)
    assert _moment(first["ended_at"]) == SPREAD - timedelta(days=1)
    assert room.client.delete(f"/api/harvests/{late['id']}").status_code == 204
    assert room.get("/api/trays/17/runs")[0]["ended_reason"] == "next run started"


def test_run_withdrawn_gives_its_photos_back(room: Room) -> None:
    first = room.post("/api/runs", tray=17, spread_at=SPREAD.isoformat())
    wrong = room.post("/api/runs", tray=17, spread_at=(SPREAD + timedelta(days=2)).isoformat())
    room.photograph(17, SPREAD + timedelta(days=3), height_mm=12.0)
    assert room.get(f"/api/runs/{first['id']}/curve")["height"]["points"] == []
    room.client.delete(f"/api/runs/{wrong['id']}", params={"why": "other tray"})
    points = room.get(f"/api/runs/{first['id']}/curve")["height"]["points"]
    assert [point["day"] for point in points] == [3.0]


def test_two_taps_on_started_are_one_start(room: Room) -> None:
    first = room.post("/api/runs", tray=17, spread_at=SPREAD.isoformat())
    again = (SPREAD + timedelta(minutes=2)).isoformat()
    answer = room.client.post("/api/runs", json={"tray": 17, "spread_at": again})
    assert answer.status_code == 409
    assert answer.json()["errors"][0]["field"] == "spread_at"
    assert "correct that run instead" in answer.json()["detail"]
    assert [run["id"] for run in room.get("/api/trays/17/runs")] == [first["id"]]


def test_history_of_places_follows_the_tray(room: Room) -> None:
    rack = room.post("/api/racks", name="left")
    top, low = (
        room.post("/api/shelves", rack_id=rack["id"], name=name, level=level)["id"]
        for name, level in (("top", 1), ("low", 2))
    )
    run = room.post("/api/runs", tray=17, spread_at=SPREAD.isoformat())
    room.post("/api/trays/17/placements", shelf_id=low)
    # Told of later, happened earlier.
    room.post("/api/trays/17/placements", shelf_id=top, placed_at=SPREAD.isoformat())
    assert room.get("/api/trays/17")["shelf"] == "low"
    assert [one["shelf_id"] for one in room.get("/api/trays/17/placements")] == [low, top]
    end = (START - timedelta(hours=1)).isoformat()
    room.post(f"/api/runs/{run['id']}/harvests", harvested_at=end)
    assert [one["run_id"] for one in room.get(f"/api/shelves/{top}/curves")["runs"]] == [run["id"]]
    assert room.get(f"/api/shelves/{low}/curves")["runs"] == []
