"""The day's round: what measurements and dates give for now."""

from datetime import timedelta
from typing import Any

from tests.service.conftest import START, Room


def test_fresh_room_has_nothing_to_do(room: Room) -> None:
    today = room.get("/api/today")
    assert today["day_zero"] is None
    # 07:00 UTC is 08:00 in the room.
    assert (today["date"], today["time_zone"]) == ("2026-03-02", "Europe/Vienna")
    lists = ("looks", "harvests", "photos_due", "resting", "chores", "readings", "not_measured")
    assert [today[name] for name in lists] == [[]] * 7


def test_day_follows_the_rooms_clock(room: Room) -> None:
    # 23:30 UTC on 2 March is already 3 March in Vienna.
    room.watch.now = START.replace(hour=23, minute=30)
    assert room.get("/api/today")["date"] == "2026-03-03"


def test_harvests_come_soonest_first_and_say_what_is_due(room: Room) -> None:
    for tray, days in ((4, 8.1), (5, 2.0), (6, 7.9)):
        room.post("/api/runs", tray=tray, spread_at=(START - timedelta(days=days)).isoformat())
    harvests = room.get("/api/today")["harvests"]
    assert [(one["tray"], one["due"]) for one in harvests] == [(4, True), (6, True), (5, False)]
    assert harvests[0]["stage"] == "ready"
    room.watch.forward(days=1)
    assert room.get("/api/today")["harvests"][0]["stage"] == "overdue"


def test_growing_trays_without_a_fresh_photo_are_listed(room: Room) -> None:
    for tray in (4, 5, 6):
        room.post("/api/runs", tray=tray, spread_at=(START - timedelta(days=3)).isoformat())
    room.photograph(4, START - timedelta(hours=2))
    room.photograph(5, START - timedelta(hours=30))
    due = room.get("/api/today")["photos_due"]
    assert [(one["tray"], one["hours_since"]) for one in due] == [(6, None), (5, 30.0)]
    room.patch("/api/room", photo_every_hours=36)
    assert [one["tray"] for one in room.get("/api/today")["photos_due"]] == [6]


def test_tray_rests_from_its_washing_to_its_next_run(room: Room) -> None:
    room.post("/api/trays", number=4)
    room.post("/api/trays/4/states", state="resting")
    assert [one["tray"] for one in room.get("/api/today")["resting"]] == [4]
    room.watch.forward(days=1)
    run = room.post("/api/runs", tray=4)
    assert room.get("/api/today")["resting"] == []
    assert room.get("/api/trays/4")["state"] == "growing"
    room.watch.forward(days=8)
    room.post(f"/api/runs/{run['id']}/harvests", weight_g=3500)
    assert room.get("/api/trays/4")["state"] == "empty"


def _refused_state(answer: Any) -> str:
    assert answer.status_code == 422, answer.text
    (error,) = answer.json()["errors"]
    assert error["field"] == "state"
    return str(error["rule"])


def test_nothing_but_its_growth_is_said_of_a_tray_that_grows(room: Room) -> None:
    path, rule = "/api/trays/4/states", "must be said of a tray that does not grow, but tray 4 grew"
    run = room.post("/api/runs", tray=4, spread_at=(START - timedelta(days=7)).isoformat())["id"]
    for state in ("empty", "resting", "retired"):
        answer = room.client.post(path, json={"state": state})
        assert _refused_state(answer) == f"{rule} at 2026-03-02 07:00 UTC; enter its harvest first"
    before = room.post(path, state="resting", since_at=(START - timedelta(days=9)).isoformat())
    room.post(f"/api/runs/{run}/harvests", weight_g=3500)
    after = room.post(path, state="resting")
    assert [one["tray"] for one in room.get("/api/today")["resting"]] == [4]
    # Neither a correction nor its undo puts it into the time in which the tray grew.
    moved = {"since_at": (START - timedelta(days=1)).isoformat()}
    answer = room.client.patch(f"/api/tray-states/{after['id']}", json=moved)
    assert _refused_state(answer) == f"{rule} at 2026-03-01 07:00 UTC; enter its harvest first"
    assert room.patch(f"/api/tray-states/{before['id']}", state="empty")["state"] == "empty"


def test_state_of_a_tray_can_be_put_right_under_a_run_that_was_entered_later(room: Room) -> None:
    room.post("/api/trays", number=4)
    said = room.post("/api/trays/4/states", state="resting")
    run = room.post("/api/runs", tray=4, spread_at=(START - timedelta(days=2)).isoformat())["id"]
    path = f"/api/tray-states/{said['id']}"
    assert room.patch(path, state="empty", why="a wrong tap")["state"] == "empty"
    assert room.client.delete(path).status_code == 204
    withdrawn = room.get(f"{path}/history")["entries"][-1]["entry_id"]
    undone = room.client.post("/undo", data={"entry": f"tray_state:{withdrawn}"})
    assert undone.status_code == 422
    assert room.get(f"/api/runs/{run}")["ended_at"] is None


def test_part_of_a_tray_can_be_taken(room: Room) -> None:
    run = room.post("/api/runs", tray=4, spread_at=(START - timedelta(days=7)).isoformat())
    path = f"/api/runs/{run['id']}"
    room.post(f"{path}/harvests", weight_g=1500, ends_run=False)
    assert room.get("/api/trays/4")["state"] == "growing"
    room.watch.forward(days=1)
    room.post(f"{path}/harvests", weight_g=2000)
    ended = room.get(path)
    assert (ended["harvest_weight_g"], ended["ended_reason"]) == (3500, "harvested")
    assert ended["day_from_spread"] == 8.0


def test_day_counts_from_soaking_and_from_spreading(room: Room) -> None:
    spread_at, soaked_at = START - timedelta(days=3), START - timedelta(days=3, hours=12)
    run = room.post(
        "/api/runs", tray=4, spread_at=spread_at.isoformat(), soaked_at=soaked_at.isoformat()
    )
    assert (run["day_from_spread"], run["day_from_soak"]) == (3.0, 3.5)
    assert room.patch("/api/room", day_zero="soak")["day_zero"] == "soak"
    assert room.get("/api/today")["day_zero"] == "soak"


def test_stage_follows_cover(room: Room) -> None:
    room.post("/api/runs", tray=4, spread_at=(START - timedelta(hours=6)).isoformat())
    stages = [room.get("/api/trays/4")["stage"]]
    for cover in (0.01, 0.3, 0.9):
        room.watch.forward(days=1)
        room.photograph(4, room.watch.now, cover=cover)
        stages.append(room.get("/api/trays/4")["stage"])
    assert stages == ["spread", "roots", "greening", "carpet"]


def test_run_to_come_is_soaking(room: Room) -> None:
    tomorrow = START + timedelta(days=1)
    room.post("/api/runs", tray=4, spread_at=tomorrow.isoformat(), soaked_at=START.isoformat())
    tray = room.get("/api/trays/4")
    assert (tray["state"], tray["stage"]) == ("growing", "soaking")
    assert room.get("/api/today")["photos_due"] == []


def test_time_without_an_offset_is_the_rooms_own(room: Room) -> None:
    run = room.post("/api/runs", tray=4, spread_at="2026-03-01T18:00:00")
    assert run["spread_at"] == "2026-03-01T17:00:00Z"
    # After the last Sunday of March Vienna is two hours ahead.
    later = room.post("/api/chores", kind="water", title="by hand", planned_for="2026-04-01T18:00")
    assert later["planned_for"] == "2026-04-01T16:00:00Z"


def test_planned_chores_of_today_and_before_are_listed_until_done(room: Room) -> None:
    planned = (START + timedelta(hours=5)).isoformat()
    chore = room.post("/api/chores", kind="clean", title="Clean the drain", planned_for=planned)
    later = (START + timedelta(days=2)).isoformat()
    room.post("/api/chores", kind="clean", title="Later", planned_for=later)
    assert [one["title"] for one in room.get("/api/today")["chores"]] == ["Clean the drain"]
    room.patch(f"/api/chores/{chore['id']}", done_at=START.isoformat())
    assert room.get("/api/today")["chores"] == []


def test_chore_without_a_day_is_on_the_round_until_it_is_done(room: Room) -> None:
    room.post("/api/runs", tray=17, spread_at=START.isoformat())
    chore = room.post("/api/chores", kind="repair", title="Mend the left valve")
    room.watch.forward(days=3)
    assert [one["title"] for one in room.get("/api/today")["chores"]] == ["Mend the left valve"]
    for path, words in (("/", ", for no day in particular"), ("/print/round", "")):
        page = room.client.get(path).text
        assert "Mend the left valve" in page
        assert words in page
    room.post("/api/chores", kind="repair", title="Older", planned_for="2026-03-01T18:00")
    titles = [one["title"] for one in room.get("/api/today")["chores"]]
    assert titles == ["Older", "Mend the left valve"]
    room.patch(f"/api/chores/{chore['id']}", done_at=room.watch.now.isoformat())
    assert [one["title"] for one in room.get("/api/today")["chores"]] == ["Older"]


def test_last_reading_of_each_place_is_shown(room: Room) -> None:
    rack = room.post("/api/racks", name="left")
    shelf = room.post("/api/shelves", rack_id=rack["id"], name="top", level=1)
    for hours, temperature in ((1, 19.0), (3, 17.0)):
        at = (START - timedelta(hours=hours)).isoformat()
        room.post("/api/readings", read_at=at, temperature_c=temperature, humidity_percent=70)
    room.post("/api/readings", shelf_id=shelf["id"], temperature_c=24.5)
    shown = room.get("/api/today")["readings"]
    assert [(one["shelf_id"], one["temperature_c"]) for one in shown] == [
        (None, 19.0),
        (shelf["id"], 24.5),
    ]


def test_the_air_is_asked_for_in_the_morning_and_in_the_evening(room: Room) -> None:
    def is_due() -> bool:
        return bool(room.get("/api/today")["air_due"])

    # 08:00 in the room; where nothing grows nobody has to read anything.
    assert not is_due()
    room.post("/api/runs", tray=4, spread_at=(START - timedelta(days=1)).isoformat())
    assert is_due()
    room.post("/api/readings", temperature_c=19.0, read_at=(START - timedelta(hours=7)).isoformat())
    assert is_due()
    room.post("/api/readings", temperature_c=19.0)
    for hour, due in ((9, False), (15, False), (16, True), (26, True)):
        room.watch.now = START + timedelta(hours=hour - 8)
        assert is_due() is due
    # Read late in the morning it is not asked for again as soon as the evening's round begins.
    room.post("/api/readings", temperature_c=19.0, read_at=(START + timedelta(hours=4)).isoformat())
    room.watch.now = START + timedelta(hours=9)
    assert not is_due()


def test_tray_is_to_be_washed_from_its_harvest_until_somebody_writes_so(room: Room) -> None:
    room.post("/api/trays", number=5)
    run = room.post("/api/runs", tray=4)
    room.watch.forward(days=7)
    assert room.get("/api/today")["to_wash"] == []
    ended = room.post(f"/api/runs/{run['id']}/harvests")["harvested_at"]
    assert room.get("/api/today")["to_wash"] == [{"tray": 4, "since_at": ended}]
    assert [one["to_wash"] for one in room.get("/api/trays")["trays"]] == [True, False]
    room.watch.forward(hours=1)
    room.post("/api/trays/4/states", state="empty")
    assert room.get("/api/today")["to_wash"] == []
    room.post("/api/runs", tray=4)
    assert room.get("/api/today")["to_wash"] == []
