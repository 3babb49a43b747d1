"""What people answered of a run that was withdrawn, and of one that was entered anew for it."""

from datetime import timedelta
from typing import Any

import pytest

from service.flags.mould_record import mould_answers
from service.pages.flags.verdict_words import verdict_words
from service.runs.run_calendar import LONGEST_RUN
from tests.service.conftest import Room
from tests.service.flags.test_attention import at, flags, kinds, look, mouldy, only, snap, spread
from tests.service.recorded_inspections import patch
from tests.service.runs.test_undoing import last_entry, undo


def answered(room: Room, verdict: str) -> Any:
    """A run whose possible mould somebody answered; returns the flag."""
    spread(room, 17)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    flag = only(room, "possible mould")
    return room.post(f"/api/flags/{flag['id']}/verdict", verdict=verdict)


def withdraw(room: Room, run_id: int) -> None:
    assert room.client.delete(f"/api/runs/{run_id}").status_code == 204


def bring_back(room: Room, run_id: int) -> None:
    """Undo that a run was withdrawn."""
    withdrawn = last_entry(room, f"/api/runs/{run_id}")
    assert undo(room, f"run:{withdrawn}").status_code == 303


def of_mould(room: Room) -> tuple[int, int, str]:
    """How often possible mould was right and wrong, and what the threshold is said to follow."""
    said = room.get("/api/verdicts")
    right = sum(one["right"] for one in said["kinds"])
    wrong = sum(one["wrong"] for one in said["kinds"])
    return right, wrong, said["mould"]["words"]


NO_VERDICT = "No verdict on possible mould in this room yet."


def test_answers_about_a_withdrawn_run_teach_nothing(room: Room) -> None:
    flag = answered(room, "root hairs")
    taught = room.get("/api/verdicts")["mould"]["shift"]
    right, wrong, words = of_mould(room)
    assert (right, wrong) == (0, 1)
    assert words.startswith("Possible mould was right 0 of 1 times")
    withdraw(room, flag["run_id"])
    assert of_mould(room) == (0, 0, NO_VERDICT)
    assert room.get("/api/verdicts")["mould"]["shift"] == 0.0
    bring_back(room, flag["run_id"])
    assert of_mould(room)[:2] == (0, 1)
    assert room.get("/api/verdicts")["mould"]["shift"] == taught


@pytest.mark.parametrize("verdict", ["husks", "right"])
@pytest.mark.parametrize("late_days", [0.0, 1.0])
def test_run_entered_anew_stays_answered_until_there_is_more(
    room: Room, verdict: str, late_days: float
) -> None:
    flag = answered(room, verdict)
    before = of_mould(room)
    withdraw(room, flag["run_id"])
    anew = room.post("/api/runs", tray=17, spread_at=at(late_days).isoformat())["id"]
    assert anew != flag["run_id"]
    assert "possible mould" not in kinds(room)
    assert look(room, hours=2) == []
    assert of_mould(room) == before
    with room.service.database.read() as connection:
        assert dict(mould_answers(connection)) == {anew: verdict}
    page = room.client.get("/trays/17").text
    assert f"Answered: {verdict_words(verdict)}." in page
    mouldy(room, 17, 5.5, 6.0, 6.5)
    more = only(room, "possible mould")
    assert (more["run_id"], more["level"]) == (anew, "hold")


def test_patch_that_nobody_answered_is_told_of_the_run_entered_anew(room: Room) -> None:
    flag = answered(room, "husks")
    elsewhere = {"x": 150.0, "y": -70.0}
    for day, size in ((5.0, 8.0), (5.5, 15.0), (6.0, 25.0)):
        snap(room, 17, day, mould=[patch(12.0, 0.6), patch(size, 0.9, **elsewhere)])
    other = only(room, "possible mould")
    withdraw(room, flag["run_id"])
    assert flags(room) == []
    room.post("/api/runs", tray=17, spread_at=at(0).isoformat())
    again = only(room, "possible mould")
    assert again["id"] != other["id"]
    assert [place["x_mm"] for place in again["evidence"]["places"]] == [150.0]


def test_another_run_of_the_tray_has_its_own_answers(room: Room) -> None:
    flag = answered(room, "husks")
    withdraw(room, flag["run_id"])
    # Since after all that was answered; and long before, so that it was over by then.
    for spread_at in (room.watch.now, at(4.5) - LONGEST_RUN - timedelta(days=1)):
        run = room.post("/api/runs", tray=17, spread_at=spread_at.isoformat())["id"]
        assert of_mould(room) == (0, 0, NO_VERDICT)
        withdraw(room, run)
    spread(room, 18)
    assert of_mould(room) == (0, 0, NO_VERDICT)


def held(room: Room) -> list[int]:
    return [hold["tray"] for hold in room.get("/api/today")["holds"]]


def put_off(room: Room) -> Any:
    """A hold that photos ask for, and that somebody put off; returns its run."""
    (run,) = spread(room, 17)
    mouldy(room, 17, 3.5, 4.25, 4.75, 5.25, 5.75, 6.25)
    until = (room.watch.now + timedelta(days=5)).isoformat()
    room.post(f"/api/flags/{only(room, 'possible mould')['id']}/snooze", until=until)
    assert (kinds(room), held(room)) == ([], [17])
    return run


def test_hold_that_was_put_off_holds_the_run_entered_anew(room: Room) -> None:
    run = put_off(room)
    withdraw(room, run["id"])
    assert held(room) == []
    room.post("/api/runs", tray=17, spread_at=run["spread_at"])
    assert held(room) == [17]
    assert only(room, "possible mould")["level"] == "hold"


def test_hold_that_was_put_off_is_back_with_its_run(room: Room) -> None:
    run = put_off(room)
    withdraw(room, run["id"])
    bring_back(room, run["id"])
    assert held(room) == [17]
    assert only(room, "possible mould")["level"] == "hold"
