"""What people answer to flags: what it silences, what brings a flag back, what it teaches."""

from datetime import timedelta
from typing import Any

import pytest

from service.flags.flag_answers import followed
from tests.service.conftest import Room
from tests.service.flags.test_attention import at, flags, kinds, look, mouldy, only, snap, spread
from tests.service.recorded_inspections import patch
from trayvision.attention.state import Answer, AnswerKind


def test_snoozed_flag_stays_away_till_its_time(room: Room) -> None:
    spread(room, 17)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    flag = only(room, "possible mould")
    until = (room.watch.now + timedelta(hours=6)).isoformat()
    room.post(f"/api/flags/{flag['id']}/snooze", until=until)
    assert look(room, hours=3) == []
    assert [one["id"] for one in flags(room, state="snoozed")] == [flag["id"]]
    assert [one["id"] for one in look(room, hours=4)] == [flag["id"]]


def test_rise_to_hold_ends_a_snooze(room: Room) -> None:
    spread(room, 17)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    flag = only(room, "possible mould")
    until = (room.watch.now + timedelta(days=3)).isoformat()
    room.post(f"/api/flags/{flag['id']}/snooze", until=until)
    mouldy(room, 17, 5.25, 5.75, 6.25)
    again = only(room, "possible mould")
    assert (again["id"], again["level"], again["state"]) == (flag["id"], "hold", "open")


def test_done_lasts_until_something_newer_shows_it(room: Room) -> None:
    spread(room, 17, target_day=20, target_shoot_height_mm=400)
    slime = [{"x_mm": 10.0, "y_mm": 0.0, "area_mm2": 900.0}]
    snap(room, 17, 3.0, slime=slime)
    flag = only(room, "slime")
    room.post(f"/api/flags/{flag['id']}/done")
    assert look(room, hours=6) == []
    snap(room, 17, 4.5, slime=slime)
    assert only(room, "slime")["id"] != flag["id"]


def test_confirmed_mould_comes_back_with_the_next_photo_that_shows_it(room: Room) -> None:
    spread(room, 17)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    flag = only(room, "possible mould")
    room.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    assert look(room, hours=2) == []
    mouldy(room, 17, 5.25)
    assert only(room, "possible mould")["id"] != flag["id"]


def test_patch_called_harmless_stays_quiet_until_its_evidence_has_grown(room: Room) -> None:
    spread(room, 17)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    flag = only(room, "possible mould")
    room.post(f"/api/flags/{flag['id']}/verdict", verdict="husks")
    still = patch(12.0, 0.6)
    snap(room, 17, 5.0, mould=[still])
    assert "possible mould" not in kinds(room)
    mouldy(room, 17, 5.5, 6.0, 6.5)
    assert only(room, "possible mould")["level"] == "hold"


def test_another_patch_is_another_reason_though_the_first_was_answered(room: Room) -> None:
    spread(room, 17)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    flag = only(room, "possible mould")
    room.post(f"/api/flags/{flag['id']}/verdict", verdict="husks")
    there = {"x": 150.0, "y": -70.0}
    for day, size in ((5.0, 8.0), (5.5, 15.0), (6.0, 25.0)):
        snap(room, 17, day, mould=[patch(12.0, 0.6), patch(size, 0.9, **there)])
    again = only(room, "possible mould")
    assert again["id"] != flag["id"]
    assert again["evidence"]["places"][0]["x_mm"] == 150.0
    assert len(again["evidence"]["keys"]) == 1


@pytest.mark.parametrize(("apart_mm", "follows"), [(9.0, True), (40.0, False)])
def test_answer_follows_a_patch_whose_first_place_a_late_photo_moved(
    apart_mm: float, follows: bool
) -> None:
    said = Answer("possible mould/4/-120,60", AnswerKind.WRONG, at(5))
    now = f"possible mould/4/{-120 + apart_mm:.0f},60"
    other_run = "possible mould/5/-120,60"
    (answer,) = followed([said], [other_run, now])
    assert answer.flag_key == (now if follows else said.flag_key)


def test_verdicts_raise_the_threshold_within_its_limits(room: Room) -> None:
    before = room.get("/api/verdicts")
    assert before["kinds"] == []
    assert before["mould"]["shift"] == 0.0
    assert before["mould"]["words"] == "No verdict on possible mould in this room yet."
    for tray in range(12):
        spread(room, tray)
        mouldy(room, tray, 3.5, 4.25, 4.75 + tray / 100)
        flag = next(one for one in flags(room) if one["tray"] == tray)
        verdict = "root hairs" if tray % 4 else "right"
        room.post(f"/api/flags/{flag['id']}/verdict", verdict=verdict)
    after: dict[str, Any] = room.get("/api/verdicts")
    (count,) = after["kinds"]
    assert (count["kind"], count["right"], count["wrong"]) == ("possible mould", 3, 9)
    assert count["was"] == {"right": 3, "root hairs": 9}
    mould = after["mould"]
    # Beta-binomial with two right and two wrong looks before: (3 + 2) / (12 + 4), by hand.
    assert mould["share_right"] == pytest.approx(0.3125)
    # ln(11 / 5), by hand.
    assert mould["shift"] == pytest.approx(0.7885, abs=1e-4)
    assert mould["lowest_shift"] <= mould["shift"] <= mould["highest_shift"]
    expected = mould["look_at_without_verdicts"] + mould["shift"]
    assert mould["look_at"] == pytest.approx(expected, abs=2e-4)
    assert "right 3 of 12 times" in mould["words"]
