"""A fixed camera whose clock went back to 1970 or 2000: where its photos go, and who is told."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.service.conftest import START, Room

NEW_YEAR = datetime(2000, 1, 1, 0, 3, tzinfo=UTC)


def _camera(room: Room, kind: str = "sends photos", **said: Any) -> str:
    made = room.post("/api/cameras", name="Shelf 2", kind=kind, **said)
    return f"/api/cameras/{made['id']}/health"


def _sent(room: Room, at: datetime, **said: Any) -> Any:
    return room.photograph(17, at, camera="Shelf 2", **said)


def test_photo_goes_where_it_arrives_and_the_camera_says_so_once(room: Room) -> None:
    health = _camera(room, options={})
    run = room.post("/api/runs", tray=17, spread_at=(START - timedelta(days=3)).isoformat())
    assert room.get(health)["clock_says_at"] is None
    photo = _sent(room, NEW_YEAR, height_mm=15.0)
    assert datetime.fromisoformat(photo["taken_at"]) == START
    assert photo["taken_at_from"] == "received"
    assert datetime.fromisoformat(photo["photo_said_at"]) == NEW_YEAR
    # It belongs to the run that grows, on the day on which it came.
    (point,) = room.get(f"/api/runs/{run['id']}/curve")["height"]["points"]
    assert point["day"] == pytest.approx(3.0)
    _sent(room, NEW_YEAR + timedelta(hours=1), height_mm=16.0)
    said = room.get(health)
    assert datetime.fromisoformat(said["clock_says_at"]) == NEW_YEAR + timedelta(hours=1)
    assert said["sentence"].count("Its clock says 1 January 2000, which cannot be") == 1
    assert all("clock" not in remark for remark in photo["remarks"])
    # Once somebody set it, nothing is said any more.
    room.watch.forward(hours=2)
    photo = _sent(room, START + timedelta(hours=2), height_mm=17.0)
    assert (photo["taken_at_from"], photo["photo_said_at"]) == ("photo", None)
    said = room.get(health)
    assert said["clock_says_at"] is None
    assert "clock" not in said["sentence"]


def test_date_is_told_in_the_rooms_zone(room: Room) -> None:
    room.patch("/api/room", time_zone="Europe/Vienna")
    health = _camera(room, options={})
    # Ten minutes past midnight in Vienna, of a camera that writes its offset.
    _sent(room, datetime(1999, 12, 31, 23, 10, tzinfo=UTC))
    assert "Its clock says 1 January 2000" in room.get(health)["sentence"]


@pytest.mark.parametrize(("days_ago", "believed"), [(59, True), (61, False)])
def test_live_camera_is_believed_for_as_long_as_a_run_may_last(
    room: Room, days_ago: int, believed: bool
) -> None:
    _camera(room, options={})
    said = START - timedelta(days=days_ago)
    photo = _sent(room, said)
    assert datetime.fromisoformat(photo["taken_at"]) == (said if believed else START)


def test_camera_that_nobody_set_up_may_bring_an_older_card(room: Room) -> None:
    said = START - timedelta(days=300)
    assert datetime.fromisoformat(_sent(room, said)["taken_at"]) == said
    assert datetime.fromisoformat(_sent(room, NEW_YEAR)["taken_at"]) == START


def test_what_a_person_says_and_a_persons_own_photo_stay_as_they_are(room: Room) -> None:
    _camera(room, options={})
    own = room.photograph(17, NEW_YEAR)
    assert (own["taken_at_from"], own["photo_said_at"]) == ("photo", None)
    photo = _sent(room, NEW_YEAR, note="other bytes")
    given = START - timedelta(days=1)
    changed = room.patch(f"/api/photos/{photo['id']}", taken_at=given.isoformat())
    assert datetime.fromisoformat(changed["taken_at"]) == given
    assert datetime.fromisoformat(changed["photo_said_at"]) == NEW_YEAR


def test_clock_that_is_some_hours_ahead_is_told_with_its_hour(room: Room) -> None:
    health = _camera(room, options={})
    photo = _sent(room, START + timedelta(hours=9))
    assert datetime.fromisoformat(photo["taken_at"]) == START
    # 17:00 in Vienna.
    assert "Its clock says 2 March 2026, 17:00, which cannot be" in room.get(health)["sentence"]
