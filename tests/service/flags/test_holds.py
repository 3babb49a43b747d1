"""A tray that somebody confirmed as mouldy stays on hold everywhere, until its run ends or a
person says otherwise."""

from datetime import timedelta
from typing import Any

import pytest

from service.flags.flag_log import Answer, flag_out
from service.flags.holds import end_hold
from service.flags.today import RoomNow
from service.log.entries import Entrant
from service.messages.notification_texts import digest_message
from service.models.flags import Verdict
from service.room.room_log import the_room
from tests.service.conftest import Room
from tests.service.flags.test_attention import at, flags, kinds, mouldy, only, spread


def held(room: Room) -> list[int]:
    """Trays on hold, as all that shows them agrees on."""
    today = room.get("/api/today")
    trays = [hold["tray"] for hold in today["holds"]]
    assert [one["tray"] for one in today["harvests"] if one["hold"]] == trays
    shown = [one["tray"] for one in room.get("/api/trays")["trays"] if one["hold"]]
    assert shown == trays
    return trays


def confirmed(room: Room) -> Any:
    """A tray whose possible mould somebody confirmed; returns the flag."""
    spread(room, 17, 18)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    flag = only(room, "possible mould")
    assert held(room) == []
    return room.post(f"/api/flags/{flag['id']}/verdict", verdict="right")


def test_confirmed_mould_holds_its_tray_although_the_flag_is_settled(room: Room) -> None:
    flag = confirmed(room)
    assert "possible mould" not in kinds(room)
    assert held(room) == [17]
    hold = room.get("/api/trays/17")["hold"]
    assert (hold["flag_id"], hold["confirmed"], hold["confirmed_by"]) == (flag["id"], True, None)
    assert hold["since"] == flag["answered_at"]
    room.watch.forward(days=2)
    assert held(room) == [17]


@pytest.mark.parametrize("verdict", ["fine", "root hairs", "shadow", "something else"])
def test_later_verdict_on_the_flag_ends_the_hold(room: Room, verdict: str) -> None:
    flag = confirmed(room)
    room.post(f"/api/flags/{flag['id']}/verdict", verdict=verdict)
    assert held(room) == []
    (count,) = room.get("/api/verdicts")["kinds"]
    assert (count["right"], count["wrong"], count["was"]) == (0, 1, {verdict: 1})


@pytest.mark.parametrize("reason", ["harvested", "thrown"])
def test_end_of_the_run_ends_the_hold_and_the_next_run_has_none(room: Room, reason: str) -> None:
    confirmed(room)
    run = room.get("/api/trays/17")["run"]["id"]
    room.post(f"/api/runs/{run}/harvests", reason=reason)
    assert held(room) == []
    room.watch.forward(hours=2)
    room.post("/api/runs", tray=17)
    assert held(room) == []


def test_harvest_of_a_part_ends_no_hold(room: Room) -> None:
    confirmed(room)
    run = room.get("/api/trays/17")["run"]["id"]
    room.post(f"/api/runs/{run}/harvests", ends_run=False)
    assert held(room) == [17]


def test_answer_to_a_later_flag_leaves_what_was_confirmed_on_hold(room: Room) -> None:
    first = confirmed(room)
    mouldy(room, 17, 5.25)
    again = only(room, "possible mould")
    assert again["id"] != first["id"]
    room.post(f"/api/flags/{again['id']}/verdict", verdict="husks")
    assert held(room) == [17]


def test_ending_a_hold_answers_all_that_was_confirmed_of_the_run(room: Room) -> None:
    first = confirmed(room)
    mouldy(room, 17, 5.25)
    again = only(room, "possible mould")
    room.post(f"/api/flags/{again['id']}/verdict", verdict="right")
    assert room.get("/api/trays/17")["hold"]["since"] == first["answered_at"]
    with room.service.database.write() as connection:
        by = room.service.entrant()
        flag = flag_out(connection, again["id"], by.at)
        said = Answer("verdict", verdict=Verdict.HUSKS)
        assert end_hold(connection, flag, said, by) == [first["id"], again["id"]]
    assert held(room) == []


def test_hold_that_photos_ask_for_stands_though_the_look_is_put_off(room: Room) -> None:
    spread(room, 17)
    mouldy(room, 17, 3.5, 4.25, 4.75, 5.25, 5.75, 6.25)
    flag = only(room, "possible mould")
    assert flag["level"] == "hold"
    assert held(room) == [17]
    until = (room.watch.now + timedelta(days=2)).isoformat()
    room.post(f"/api/flags/{flag['id']}/snooze", until=until)
    assert flags(room) == []
    assert held(room) == [17]
    hold = room.get("/api/today")["holds"][0]
    assert (hold["confirmed"], hold["since"]) == (False, flag["since"])


def test_ready_trays_on_hold_are_named_where_the_harvest_is_asked_for(room: Room) -> None:
    spread(room, 17, 18, target_day=5)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    mould = only(room, "possible mould")
    room.post(f"/api/flags/{mould['id']}/verdict", verdict="right")
    room.photograph(18, at(5.1), cover=0.9)
    room.watch.now = max(room.watch.now, at(5.1))
    ready = only(room, "ready")
    assert ready["trays"] == [18]
    assert ready["reason"].startswith("Tray 18, ")
    assert "Tray 17 is on hold: do not feed." in ready["look"]


def test_due_tray_whose_photos_ask_to_hold_it_is_not_said_to_be_ready(room: Room) -> None:
    spread(room, 17, target_day=6)
    mouldy(room, 17, 3.5, 4.25, 4.75, 5.25, 5.75, 6.25)
    assert only(room, "possible mould")["level"] == "hold"
    assert "ready" not in kinds(room)
    (due,) = room.get("/api/today")["harvests"]
    assert (due["due"], due["hold"]) == (True, True)


def test_morning_message_says_which_due_tray_is_on_hold(room: Room) -> None:
    confirmed(room)
    room.watch.forward(days=4)
    with room.service.database.read() as connection:
        today = RoomNow(connection, the_room(connection), room.watch.now).today()
    lines = digest_message(today, [], set(), "room").body.splitlines()
    (held,) = [line for line in lines if line.startswith("- Tray 17: overdue")]
    (free,) = [line for line in lines if line.startswith("- Tray 18: overdue")]
    assert held.endswith("on hold: do not feed")
    assert "hold" not in free


def test_ready_flag_speaks_of_a_hold_no_longer_than_it_lasts(room: Room) -> None:
    spread(room, 17, 18, target_day=6.0)
    mouldy(room, 17, 3.5, 4.25, 4.75, 5.25, 5.75, 6.25)
    assert "Tray 17 is on hold: do not feed." in only(room, "ready")["look"]
    flag = only(room, "possible mould")
    room.post(f"/api/flags/{flag['id']}/verdict", verdict="fine")
    assert held(room) == []
    assert "on hold" not in only(room, "ready")["look"]


def test_hold_outlives_its_run_being_withdrawn_and_entered_again(room: Room) -> None:
    flag = confirmed(room)
    run = room.get("/api/trays/17")["run"]
    assert room.client.delete(f"/api/runs/{run['id']}").status_code == 204
    assert held(room) == []
    again = room.post("/api/runs", tray=17, spread_at=run["spread_at"])
    hold = room.get("/api/trays/17")["hold"]
    assert (hold["run_id"], hold["confirmed"]) == (again["id"], True)
    assert held(room) == [17]
    # Another run of the tray, after the mould was seen, is not held for it.
    room.client.delete(f"/api/runs/{again['id']}")
    later = room.watch.now.isoformat()
    room.post("/api/runs", tray=17, spread_at=later)
    assert held(room) == []
    assert flag["run_id"] == run["id"]


def test_any_of_its_flags_ends_a_hold_that_outlived_its_run(room: Room) -> None:
    flag = confirmed(room)
    run = room.get("/api/trays/17")["run"]
    room.client.delete(f"/api/runs/{run['id']}")
    room.post("/api/runs", tray=17, spread_at=run["spread_at"])
    with room.service.database.write() as connection:
        shown = flag_out(connection, flag["id"], room.watch.now)
        said = Answer("verdict", None, verdict=Verdict.FINE)
        assert flag["id"] in end_hold(connection, shown, said, Entrant(room.watch.now))
    assert held(room) == []
