"""What asks to look at a tray before it is taken, until somebody looked."""

from typing import Any

from tests.service.conftest import Room
from tests.service.flags.test_attention import at, kinds, mouldy, only, snap, spread
from tests.service.recorded_inspections import patch


def asked(room: Room) -> dict[int, list[Any]]:
    """By tray, as the round and the trays agree on it."""
    due = room.get("/api/today")["harvests"]
    found = {one["tray"]: one["look_first"] for one in due if one["look_first"]}
    trays = room.get("/api/trays")["trays"]
    assert found == {one["tray"]: one["look_first"] for one in trays if one["look_first"]}
    return found


def spread_of_one_lot(room: Room, *trays: int) -> None:
    lot = room.post("/api/lots", name="Barley, first bag")["id"]
    spread(room, *trays, seed=[{"lot_id": lot}])


def photograph(room: Room, tray: int, day: float, likelihood: float) -> int:
    mould = [patch(6.0, likelihood)] if likelihood else []
    return int(snap(room, tray, day, cover=0.6, mould=mould)["id"])


def test_a_photo_with_a_spot_asks_for_a_look_for_two_days(room: Room) -> None:
    spread(room, 17)
    one = photograph(room, 17, 4.0, 0.4)
    photograph(room, 17, 4.2, 0.0)
    assert "possible mould" not in kinds(room)
    (why,) = asked(room)[17]
    assert (why["why"], why["photo_id"], why["likelihood"]) == ("photo", one, 0.4)
    room.watch.now = at(5.9)
    assert list(asked(room)) == [17]
    room.watch.now = at(6.1)
    assert asked(room) == {}


def test_a_faint_spot_asks_for_nothing_and_an_answer_settles_what_was_before(room: Room) -> None:
    spread(room, 17)
    photograph(room, 17, 3.0, 0.2)
    assert asked(room) == {}
    mouldy(room, 17, 3.5, 4.25, 4.75)
    flag = only(room, "possible mould")
    # Its own flag says it already.
    assert asked(room) == {}
    room.post(f"/api/flags/{flag['id']}/verdict", verdict="root hairs")
    assert asked(room) == {}


def test_trays_named_beside_mould_ask_until_they_were_photographed(room: Room) -> None:
    spread_of_one_lot(room, 17, 18, 19)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    flag = only(room, "possible mould")
    assert set(flag["evidence"]["related"]) == {18, 19}
    assert asked(room) == {}
    answered = room.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    found = asked(room)
    assert set(found) == {18, 19}
    (why,) = found[18]
    assert (why["why"], why["tray"], why["flag_id"]) == ("neighbour", 17, flag["id"])
    assert why["at"] == answered["answered_at"]
    photograph(room, 18, 5.0, 0.0)
    assert set(asked(room)) == {19}
    room.post(f"/api/flags/{flag['id']}/verdict", verdict="husks")
    assert asked(room) == {}


def test_a_tray_spread_after_the_mould_was_found_beside_it_does_not_ask(room: Room) -> None:
    spread_of_one_lot(room, 17, 18, 19)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    flag = only(room, "possible mould")
    room.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    assert set(asked(room)) == {18, 19}
    run = room.get("/api/trays/18")["run"]["id"]
    room.post(f"/api/runs/{run}/harvests", reason="thrown")
    room.watch.forward(hours=1)
    room.post("/api/runs", tray=18)
    assert set(asked(room)) == {19}


def test_trays_named_beside_mould_ask_also_when_the_mouldy_one_is_gone(room: Room) -> None:
    spread_of_one_lot(room, 17, 18)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    flag = only(room, "possible mould")
    room.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    run = room.get("/api/trays/17")["run"]["id"]
    room.post(f"/api/runs/{run}/harvests", reason="thrown")
    assert set(asked(room)) == {18}
    room.watch.forward(days=8)
    assert asked(room) == {}


def test_a_photo_that_cannot_judge_mould_ends_no_look_and_stays_due(room: Room) -> None:
    spread_of_one_lot(room, 17, 18)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    photograph(room, 18, 4.75, 0.0)
    flag = only(room, "possible mould")
    room.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    room.watch.now = at(5.9)
    part = {"name": "mould", "known": False, "reason": "Mould cannot be told.", "weight": 40}
    dark = {"value": None, "attention": "look", "parts": [part | {"points_off": None}]}
    snap(room, 18, 5.9, cover=0.6, score=dark)
    assert set(asked(room)) == {18}
    due = {one["tray"]: one for one in room.get("/api/today")["photos_due"]}
    stamps = [due[18][name] for name in ("last_photo_at", "not_judged_at")]
    assert stamps == [at(day).isoformat().replace("+00:00", "Z") for day in (4.75, 5.9)]
    photograph(room, 18, 6.0, 0.0)
    assert asked(room) == {}
    assert 18 not in {one["tray"] for one in room.get("/api/today")["photos_due"]}
