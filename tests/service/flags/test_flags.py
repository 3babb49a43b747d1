"""Flags: one cause one flag, answered, snoozed, and never nagging."""

import threading
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
import sqlalchemy as sa

from service.flags.flag_log import Notice, close_missing, last_answer, notice, notice_all
from service.room.room_log import tray_or_new
from tests.service.conftest import START, Room

MOULD = Notice(
    cause="mould:17",
    kind="mould",
    level="look",
    urgency=5.0,
    since=START - timedelta(days=1),
    at=START,
    reason="A white patch grew from 6 to 9 mm since yesterday.",
    look="Wet it, smell it, take a photo after watering.",
    evidence={"x_mm": 12.0},
)


def _notice(room: Room, new: Notice) -> int:
    with room.service.database.write() as connection:
        by = room.service.entrant()
        tray_id = tray_or_new(connection, 17, by)
        return notice(connection, replace(new, tray_id=tray_id), by)


def _flags(room: Room, **query: Any) -> list[Any]:
    return list(room.get("/api/flags", **query)["flags"])


def test_flag_says_where_since_when_why_and_what_to_do(room: Room) -> None:
    _notice(room, MOULD)
    (flag,) = _flags(room)
    assert (flag["tray"], flag["level"], flag["state"]) == (17, "look", "open")
    assert flag["since"] == "2026-03-01T07:00:00Z"
    assert flag["reason"] == MOULD.reason
    assert flag["look"] == MOULD.look
    assert flag["evidence"] == {"x_mm": 12.0}
    assert room.get("/api/trays/17")["flags"] == [flag]
    assert room.get("/api/today")["looks"] == [flag]


def test_one_cause_is_one_flag_that_grows(room: Room) -> None:
    first = _notice(room, MOULD)
    assert _notice(room, MOULD) == first
    worse = replace(MOULD, level="hold", urgency=9.0, at=START + timedelta(hours=8))
    assert _notice(room, worse) == first
    (flag,) = _flags(room)
    assert (flag["level"], flag["urgency"]) == ("hold", 9.0)
    assert flag["opened_at"] == "2026-03-02T07:00:00Z"


def test_what_stands_is_asked_for_once_and_not_flag_by_flag(room: Room) -> None:
    causes = [replace(MOULD, cause=f"mould:{number}") for number in range(20)]
    asked: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        # What works in the background has threads of its own.
        if threading.current_thread() is threading.main_thread():
            asked.append(statement)

    with room.service.database.write() as connection:
        by = room.service.entrant()
        first = notice_all(connection, causes, by, weighed=0)
    sa.event.listen(room.service.database.engine, "before_cursor_execute", note)
    try:
        with room.service.database.write() as connection:
            assert notice_all(connection, causes, by, weighed=0) == first
    finally:
        sa.event.remove(room.service.database.engine, "before_cursor_execute", note)
    selects = [one for one in asked if one.startswith("SELECT")]
    # The flags, their rows, what was said of them, and which of them were answered since.
    assert len(selects) <= 5


def test_a_cause_that_comes_twice_at_once_is_one_flag(room: Room) -> None:
    worse = replace(MOULD, level="hold", urgency=9.0)
    with room.service.database.write() as connection:
        first, second = notice_all(connection, [MOULD, worse], room.service.entrant())
    assert first == second
    (flag,) = _flags(room)
    assert (flag["id"], flag["level"]) == (first, "hold")


def test_most_urgent_comes_first(room: Room) -> None:
    for cause, urgency in (("a", 1.0), ("b", 3.0), ("c", 2.0)):
        _notice(room, replace(MOULD, cause=cause, urgency=urgency))
    assert [flag["urgency"] for flag in _flags(room)] == [3.0, 2.0, 1.0]


def test_snoozed_flag_comes_back_by_itself(room: Room) -> None:
    flag = _notice(room, MOULD)
    until = (START + timedelta(hours=12)).isoformat()
    snoozed = room.post(f"/api/flags/{flag}/snooze", until=until)
    assert (snoozed["state"], snoozed["snoozed_until"]) == ("snoozed", "2026-03-02T19:00:00Z")
    assert _flags(room) == []
    assert [one["id"] for one in _flags(room, state="snoozed")] == [flag]
    room.watch.forward(hours=12)
    assert [one["id"] for one in _flags(room)] == [flag]


@pytest.mark.parametrize("minutes", [0, 1])
@pytest.mark.parametrize("answered", ["snoozed", "done"])
def test_answer_that_came_while_the_flags_were_worked_out_stands(
    room: Room, answered: str, minutes: float
) -> None:
    flag = _notice(room, MOULD)
    weighed_at = room.service.entrant()
    with room.service.database.read() as connection:
        weighed = last_answer(connection)
    room.watch.forward(minutes=minutes)
    said = {"until": (room.watch.now + timedelta(days=1)).isoformat()}
    path = {"snoozed": "snooze", "done": "done"}[answered]
    room.post(f"/api/flags/{flag}/{path}", **(said if answered == "snoozed" else {}))
    with room.service.database.write() as connection:
        tray_id = tray_or_new(connection, 17, weighed_at)
        worse = replace(MOULD, tray_id=tray_id, urgency=9.0)
        assert notice(connection, worse, weighed_at, weighed=weighed) == flag
    assert [one["id"] for one in _flags(room, state=answered)] == [flag]
    assert _flags(room) == []


def test_answered_cause_stays_quiet_until_it_is_more_urgent(room: Room) -> None:
    flag = _notice(room, MOULD)
    assert room.post(f"/api/flags/{flag}/done")["state"] == "done"
    room.watch.forward(hours=8)
    assert _notice(room, replace(MOULD, reason="Still there.")) == flag
    assert _flags(room) == []
    second = _notice(room, replace(MOULD, urgency=9.0, reason="It grew to 14 mm."))
    assert [one["id"] for one in _flags(room)] == [second]
    assert second != flag


@pytest.mark.parametrize("verdict", ["right", "root hairs"])
def test_verdicts_are_counted(room: Room, verdict: str) -> None:
    flag = _notice(room, MOULD)
    answered = room.post(f"/api/flags/{flag}/verdict", verdict=verdict, note="wetted it")
    assert (answered["state"], answered["verdict"]) == ("done", verdict)
    (count,) = room.get("/api/verdicts")["kinds"]
    assert (count["kind"], count["was"]) == ("mould", {verdict: 1})


def test_flag_goes_when_its_cause_is_gone(room: Room) -> None:
    for cause in ("a", "b"):
        _notice(room, replace(MOULD, cause=cause))
    with room.service.database.write() as connection:
        close_missing(connection, still={"b"}, among={"a", "b"}, by=room.service.entrant())
    assert len(_flags(room)) == 1
    assert len(_flags(room, state="gone")) == 1
    _notice(room, replace(MOULD, cause="a"))
    assert len(_flags(room)) == 2


def test_watchers_are_told_of_what_was_entered(room: Room) -> None:
    told: list[set[int]] = []
    room.service.watchers.append(lambda _service, trays: told.append(set(trays)))
    run = room.post("/api/runs", tray=17)
    room.photograph(17, START, cover=0.1)
    # Harvested at the photo's own moment, the photo would leave the run and be measured again.
    room.watch.forward(hours=1)
    room.post("/api/trays/17/placements")
    room.post(f"/api/runs/{run['id']}/harvests")
    with room.service.database.write() as connection:
        tray = tray_or_new(connection, 17, room.service.entrant())
    assert told == [{tray}] * 4
    room.post("/api/trays/17/states", state="resting")
    assert told[4:] == [{tray}]
    flag = _notice(room, MOULD)
    told.clear()
    later = (room.watch.now + timedelta(hours=1)).isoformat()
    room.post(f"/api/flags/{flag}/snooze", until=later)
    room.post(f"/api/flags/{flag}/done")
    assert told == [set()] * 2


def test_watcher_that_fails_undoes_nothing(room: Room, caplog: pytest.LogCaptureFixture) -> None:
    def fail(*_: Any) -> None:
        raise RuntimeError("no flags today")

    room.service.watchers.append(fail)
    photo = room.photograph(17, START)
    assert room.get(f"/api/photos/{photo['id']}") == photo
    assert "a watcher failed" in caplog.text
