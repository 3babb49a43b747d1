"""The log turned into flags: what each kind needs, what it says, and what makes it go."""

from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from itertools import permutations
from typing import Any

import pytest

from service.flags.attention_watch import AttentionWatch
from tests.service.conftest import START, Room
from tests.service.recorded_inspections import patch, photo_bytes

SPREAD = START - timedelta(days=1)


def at(day: float) -> datetime:
    return SPREAD + timedelta(days=day)


def spread(room: Room, *trays: int, **said: Any) -> list[Any]:
    return [
        room.post("/api/runs", tray=tray, spread_at=at(0).isoformat(), **said) for tray in trays
    ]


def snap(room: Room, tray: int, day: float, **said: Any) -> Any:
    """A photo that comes as soon as it is taken."""
    room.watch.now = max(room.watch.now, at(day) + timedelta(minutes=1))
    return room.photograph(tray, at(day), **{"cover": 0.3, **said})


def snap_mouldy(room: Room, tray: int, day: float, **said: Any) -> None:
    """A photo of a patch that comes on day 4 and spreads 6 mm a day to each side."""
    size = 12 * (day - 3.75)
    seen = [patch(size, min(0.5 + 0.25 * (day - 4), 0.95))] if day >= 4 else []
    snap(room, tray, day, mould=seen, **said)


def mouldy(room: Room, tray: int, *days: float, **said: Any) -> None:
    """Photos of such a patch, looked at once all are there."""
    with room.looked_at_last():
        for day in days:
            snap_mouldy(room, tray, day, **said)


def look(room: Room, **forward: float) -> list[Any]:
    """Open flags after some time in which nothing was entered."""
    room.watch.forward(**forward)
    AttentionWatch(room.service, every_minutes=10).look()
    return flags(room)


def flags(room: Room, **query: Any) -> list[Any]:
    return list(room.get("/api/flags", **query)["flags"])


def only(room: Room, kind: str) -> Any:
    (flag,) = [flag for flag in flags(room) if flag["kind"] == kind]
    return flag


def kinds(room: Room) -> list[str]:
    return [flag["kind"] for flag in flags(room)]


def shelf(room: Room, name: str, level: int, rack: int) -> int:
    return int(room.post("/api/shelves", rack_id=rack, name=name, level=level)["id"])


def test_healthy_tray_has_no_flag(room: Room) -> None:
    spread(room, 17)
    for day in (1.0, 2.0, 3.0, 4.0):
        snap(room, 17, day, cover=0.1 * day)
    assert flags(room) == []


def test_growing_patch_asks_for_a_look_and_then_to_hold(room: Room) -> None:
    spread(room, 17)
    for day in (3.0, 3.5):
        snap_mouldy(room, 17, day)
        assert flags(room) == []
    for day in (4.25, 4.75):
        snap_mouldy(room, 17, day)
    first = only(room, "possible mould")
    assert (first["level"], first["tray"], first["trays"]) == ("look", 17, [17])
    assert "towards bar A, 12 mm across" in first["reason"]
    assert room.get("/api/today")["harvests"][0]["hold"] is False
    for day in (5.25, 5.75, 6.25):
        snap_mouldy(room, 17, day)
    later = only(room, "possible mould")
    assert (later["id"], later["level"]) == (first["id"], "hold")
    assert later["since"] == at(4.25).isoformat().replace("+00:00", "Z")
    assert "hold" in later["look"].lower()
    assert room.get("/api/today")["harvests"][0]["hold"] is True


def test_possible_mould_is_no_younger_than_its_flag(room: Room) -> None:
    spread(room, 17)
    snap(room, 17, 3.0)
    snap(room, 17, 3.5)
    for day in (4.0, 4.5, 5.0, 5.5):
        snap(room, 17, day, mould=[patch(12.0, 0.6)])
        flag = only(room, "possible mould")
        assert flag["since"] == at(4.0).isoformat().replace("+00:00", "Z")
    assert "first seen" in flag["reason"]


def test_a_flag_names_one_tray_only_where_it_is_about_one(room: Room) -> None:
    runs = spread(room, 17, 18, 19, target_day=5.0)
    for tray in (17, 18, 19):
        snap(room, tray, 5.1, cover=0.8)
    flag = only(room, "ready")
    assert (flag["tray"], flag["trays"]) == (None, [17, 18, 19])
    room.watch.now = at(5.3)
    for run in runs[1:]:
        room.post(f"/api/runs/{run['id']}/harvests", harvested_at=at(5.2).isoformat())
    room.patch(f"/api/runs/{runs[0]['id']}", tray=30)
    flag = only(room, "ready")
    assert (flag["tray"], flag["trays"]) == (30, [30])


def test_tray_below_on_the_water_and_of_the_same_lot_are_named(room: Room) -> None:
    rack = room.post("/api/racks", name="left")["id"]
    top, bottom = shelf(room, "top", 1, rack), shelf(room, "bottom", 2, rack)
    lot = room.post("/api/lots", name="B-7", grain="barley")["id"]
    spread(room, 17, seed=[{"lot_id": lot}])
    spread(room, 18)
    spread(room, 19, seed=[{"lot_id": lot}])
    for tray, there in ((17, top), (18, bottom), (19, top)):
        room.post(f"/api/trays/{tray}/placements", shelf_id=there, placed_at=at(0).isoformat())
    mouldy(room, 17, 3.5, 4.25, 4.75, 5.25)
    flag = only(room, "possible mould")
    assert "Tray 17, top, day 5" in flag["reason"]
    assert "tray 18 below on the same water path" in flag["look"]
    assert "same seed lot: tray 19" in flag["look"]
    assert flag["evidence"]["related"] == [18, 19]
    assert flag["evidence"]["near"] == [18, 19]


def test_poor_germination_of_several_trays_names_their_lot(room: Room) -> None:
    good = room.post("/api/lots", name="W-1", grain="wheat")["id"]
    old = room.post("/api/lots", name="W-0", grain="wheat")["id"]
    spread(room, 1, 2, 3, 4, seed=[{"lot_id": good}])
    spread(room, 5, 6, 7, seed=[{"lot_id": old}])
    with room.looked_at_last():
        for tray in range(1, 8):
            snap(room, tray, 3.5, cover=0.02 if tray > 4 else 0.35)
    flag = only(room, "poor germination")
    assert (flag["lot_id"], flag["trays"], flag["tray"]) == (old, [5, 6, 7], None)
    assert flag["reason"].startswith("Seed lot W-0: poor germination")
    assert [one["kind"] for one in room.get("/api/trays/6")["flags"]] == ["poor germination"]


def test_time_alone_brings_no_photo_since_and_one_flag_for_all(room: Room) -> None:
    spread(room, 17, 18, 19)
    for tray in (17, 18):
        snap(room, tray, 1.0)
    snap(room, 19, 2.5)
    found = look(room, hours=12)
    assert [(one["kind"], one["trays"]) for one in found] == [("no photo since", [17, 18])]
    snap(room, 17, 3.1)
    assert only(room, "no photo since")["trays"] == [18]
    snap(room, 18, 3.2)
    assert flags(room) == []
    assert [one["kind"] for one in flags(room, state="gone")] == ["no photo since"]


def test_clock_of_its_own_finds_what_time_brings(room: Room) -> None:
    spread(room, 17)
    room.watch.forward(days=3)
    told: list[int] = []
    watch = AttentionWatch(room.service, every_minutes=0.001)
    watch.start()
    for _ in range(2000):
        told = [one["id"] for one in flags(room)]
        if told:
            break
    watch.close()
    assert told
    # What it looks at again and again, it writes down once.
    assert len(flags(room)) == len(flags(room, state="gone")) + 1 == 1


def test_tray_past_its_day_is_ready_and_then_overdue(room: Room) -> None:
    spread(room, 17, target_day=7)
    snap(room, 17, 6.6, height_mm=90.0, cover=0.9)
    assert only(room, "ready")["level"] == "note"
    assert room.get("/api/today")["looks"] == []
    assert [one["kind"] for one in room.get("/api/today")["later"]] == ["ready"]
    snap(room, 17, 8.2, height_mm=110.0, cover=0.9)
    assert only(room, "overdue")["trays"] == [17]
    run = room.get("/api/trays/17")["run"]["id"]
    room.post(f"/api/runs/{run}/harvests")
    assert flags(room) == []


def test_hot_room_is_one_flag(room: Room) -> None:
    rack = room.post("/api/racks", name="left")["id"]
    shelves = [shelf(room, f"shelf {level}", level, rack) for level in (1, 2, 3)]
    with room.looked_at_last():
        spread(room, *range(11))
        for tray in range(11):
            place = {"shelf_id": shelves[tray % 3], "placed_at": at(0).isoformat()}
            room.post(f"/api/trays/{tray}/placements", **place)
    for there in shelves:
        room.post("/api/readings", shelf_id=there, temperature_c=29.0, read_at=START.isoformat())
    flag = only(room, "hot or humid")
    assert flag["reason"].startswith("The room has been too hot (29 °C)")
    assert flag["trays"] == list(range(11))
    cool = (START + timedelta(minutes=30)).isoformat()
    room.watch.forward(hours=1)
    for there in shelves[1:]:
        room.post("/api/readings", shelf_id=there, temperature_c=20.0, read_at=cool)
    flag = only(room, "hot or humid")
    assert (flag["shelf_id"], flag["reason"][:8]) == (shelves[0], "shelf 1 ")


def fixed_camera(room: Room) -> None:
    """A camera over a shelf that sends its photos itself, silent after a day and two hours."""
    room.post("/api/cameras", name="top", kind="sends photos", options={})


def test_silent_camera_is_told_with_its_last_photo(room: Room) -> None:
    fixed_camera(room)
    spread(room, 17)
    look(room, hours=20)
    assert "camera" not in kinds(room)
    snap(room, 17, 2.0, camera="top")
    found = look(room, hours=30)
    assert [one["reason"] for one in found if one["kind"] == "camera"] == [
        "Camera top is silent, last photo Tue 3 Mar 08:01."
    ]
    snap(room, 17, 3.3, camera="top", doubts=["fogged"])
    assert only(room, "camera")["reason"].startswith("Camera top is fogged")


def test_camera_whose_tags_all_lie_elsewhere_has_moved(room: Room) -> None:
    fixed_camera(room)
    spread(room, 17)
    for hours in (0, 8, 16):
        snap(room, 17, 1 + hours / 24, camera="top")
    assert flags(room) == []
    # The photos of these tests are 400 px wide.
    snap(room, 17, 2.0, camera="top", corners_px={"6": [[90.0, 2.0]] * 4, "7": [[99.0, 2.0]] * 4})
    assert only(room, "camera")["reason"].startswith("Camera top is moved")


def test_camera_that_sees_no_tray_any_more_is_told_until_it_sees_one(room: Room) -> None:
    fixed_camera(room)
    spread(room, 17, 18)
    room.photograph(17, at(1.0), camera="top")

    def send_without_tray(hour: int) -> None:
        room.watch.now = max(room.watch.now, at(1.0) + timedelta(hours=hour, minutes=1))
        moment = (at(1.0) + timedelta(hours=hour)).isoformat()
        content = photo_bytes(taken_at=moment, note=str(hour))
        assert room.send(content, camera="top").status_code == 201

    send_without_tray(1)
    assert "camera" not in kinds(room)
    # More photos than its place is told from: the trays it saw are remembered.
    for hour in range(2, 14):
        send_without_tray(hour)
        assert only(room, "camera")["trays"] == [17]
    assert only(room, "camera")["reason"].startswith("Camera top no longer shows tray 17")
    snap(room, 18, 1.6, camera="top")
    assert "camera" not in kinds(room)


def _spot(area: float) -> dict[str, float]:
    return {"x_mm": 10.0, "y_mm": -20.0, "area_mm2": area}


@pytest.mark.parametrize(
    ("kind", "day", "said"),
    [
        ("slime", 3.0, {"slime": [_spot(900.0)]}),
        ("dry or bare patch", 5.0, {"bare_areas": [_spot(9000.0)], "cover": 0.5}),
        ("yellowing", 6.0, {"yellow_share": 0.7, "cover": 0.7}),
        ("lodged", 7.0, {"height_mm": 60.0, "cover": 0.95}),
    ],
)
def test_other_reasons_come_from_the_records(
    room: Room, kind: str, day: float, said: dict[str, Any]
) -> None:
    spread(room, 17, target_day=20, target_shoot_height_mm=400)
    snap(room, 17, day - 1, height_mm=130.0, cover=0.9)
    snap(room, 17, day, **{"height_mm": 130.0, **said})
    assert kind in kinds(room)
    snap(room, 17, day + 0.5, height_mm=150.0, cover=0.9)
    assert kind not in kinds(room)


def test_taking_its_siblings_lets_no_slow_tray_go(room: Room) -> None:
    runs = spread(room, 1, 2, 3, 4)
    with room.looked_at_last():
        for day in (3.0, 4.0, 5.0, 6.0):
            for tray in (1, 2, 3, 4):
                cover = 0.25 * (day - 2.5) / (8 if tray == 4 else 1)
                snap(room, tray, day + tray / 100, cover=cover, height_mm=None)
    before = [flag for flag in flags(room) if flag["trays"] == [4]]
    assert before != []
    room.watch.now = at(6.2)
    for run in runs[:2]:
        room.post(f"/api/runs/{run['id']}/harvests", harvested_at=at(6.1).isoformat())
    # A tray that was spread anew is none of the batch that it was taken from.
    room.post("/api/runs", tray=1, spread_at=at(6.15).isoformat())
    assert [
        (flag["id"], flag["since"], flag["kind"], flag["reason"])
        for flag in flags(room)
        if flag["trays"] == [4]
    ] == [(flag["id"], flag["since"], flag["kind"], flag["reason"]) for flag in before]


def test_shelf_that_is_behind_is_one_flag(room: Room) -> None:
    rack = room.post("/api/racks", name="left")["id"]
    shelves = [shelf(room, name, level, rack) for level, name in enumerate(("top", "low"), 1)]
    with room.looked_at_last():
        spread(room, *range(12))
        for tray in range(12):
            place = {"shelf_id": shelves[tray % 2], "placed_at": at(0).isoformat()}
            room.post(f"/api/trays/{tray}/placements", **place)
        for tray in range(12):
            snap(room, tray, 5.0 + tray / 1000, cover=0.25 if tray % 2 else 0.6)
    flag = only(room, "behind its siblings")
    assert (flag["shelf_id"], flag["trays"]) == (shelves[1], [1, 3, 5, 7, 9, 11])
    assert flag["reason"].startswith("Shelf low")


@pytest.mark.parametrize("doubts", [[], ["coloured_light"]])
def test_photo_under_coloured_light_accuses_no_tray(room: Room, doubts: list[str]) -> None:
    with room.looked_at_last():
        spread(room, *range(5))
        for tray in range(4):
            snap(room, tray, 6.0 + tray / 1000, cover=0.75)
    snap(room, 4, 6.1, cover=0.05, doubts=doubts)
    assert ("behind its siblings" in kinds(room)) is not bool(doubts)


@pytest.fixture(scope="module")
def outcomes() -> dict[str, Any]:
    return {}


@pytest.mark.parametrize("order", list(permutations((3.5, 4.25, 4.75, 5.25)))[::6])
def test_order_of_arrival_changes_no_open_flag(
    room: Room, order: tuple[float, ...], outcomes: dict[str, Any]
) -> None:
    spread(room, 17)
    room.watch.now = at(5.3)
    for day in order:
        snap_mouldy(room, 17, day)
    (flag,) = flags(room)
    said = {name: flag[name] for name in ("kind", "level", "reason", "look", "since", "urgency")}
    places = flag["evidence"]["places"]
    said["places"] = [[one["now"]["taken_at"], one["before"]["taken_at"]] for one in places]
    assert said == outcomes.setdefault("first", said)


def test_late_photo_moves_the_beginning_of_the_same_flag(room: Room) -> None:
    spread(room, 17)
    mouldy(room, 17, 3.5, 4.75, 5.25, 5.75)
    before = only(room, "possible mould")
    mouldy(room, 17, 4.25)
    after = only(room, "possible mould")
    assert after["id"] == before["id"]
    assert after["since"] < before["since"]


def test_correction_lets_a_flag_go(room: Room) -> None:
    run = spread(room, 17)[0]["id"]
    mouldy(room, 17, 3.5, 4.25, 4.75, 5.25)
    assert kinds(room) == ["possible mould"]
    assert room.client.delete(f"/api/runs/{run}").status_code == 204
    assert flags(room) == []


def test_nothing_new_writes_nothing(room: Room) -> None:
    spread(room, 17)
    mouldy(room, 17, 3.5, 4.25, 4.75, 5.25)
    before = only(room, "possible mould")
    assert look(room, minutes=10) == [before]


def test_looks_to_walk_to_are_few_and_the_rest_is_listed(room: Room) -> None:
    with room.looked_at_last():
        spread(room, *range(8))
        for tray in range(8):
            snap(room, tray, 3.0, slime=[_spot(500.0 + 100 * tray)])
    today = room.get("/api/today")
    assert [one["tray"] for one in today["looks"]] == [7, 6, 5, 4, 3]
    assert [one["tray"] for one in today["later"]] == [2, 1, 0]


def test_many_looks_at_once_open_each_flag_once(room: Room) -> None:
    spread(room, 17)
    room.watch.forward(days=3)
    watch = AttentionWatch(room.service, every_minutes=10)
    with ThreadPoolExecutor(max_workers=8) as threads:
        for done in [threads.submit(watch.look) for _ in range(24)]:
            done.result()
    assert kinds(room) == ["no photo since"]
    assert flags(room, state="gone") == []
