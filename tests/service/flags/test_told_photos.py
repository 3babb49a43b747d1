"""Photos without the kit that a person said are of a tray: its curve, latest photo and flags."""

from datetime import timedelta
from typing import Any

import pytest

from tests.service.conftest import START, Room
from tests.service.recorded_inspections import photo_bytes

PATCH = {
    "look": "dark",
    "likelihood": 0.8,
    "confused_with": [],
    "x_px": 10.0,
    "y_px": 20.0,
    "area_px": 30.0,
}


@pytest.fixture
def growing(room: Room) -> Room:
    room.post("/api/runs", tray=17, spread_at=(START - timedelta(days=4)).isoformat())
    room.post("/api/runs", tray=18, spread_at=(START - timedelta(days=4)).isoformat())
    return room


def whole_photo(room: Room, *more: dict[str, Any], mould: Any = ()) -> int:
    """A photo taken as a whole, with no number in it."""
    shown = {"number": None, "without_kit": True, "cover": 0.4, "mould": list(mould)}
    taken = (START - timedelta(hours=1)).isoformat()
    number: int = room.send(photo_bytes(shown, *more, taken_at=taken)).json()["photos"][0]["id"]
    return number


def covers(room: Room, tray: int = 17) -> list[tuple[int, float]]:
    curve = room.get(f"/api/trays/{tray}/curve")
    assert curve["height"]["points"] == []
    return [(point["photo_id"], point["value"]) for point in curve["cover"]["points"]]


def mould_flags(room: Room) -> list[Any]:
    return [one for one in room.get("/api/flags")["flags"] if one["kind"] == "possible mould"]


def test_photo_feeds_the_curve_of_the_tray_that_was_told_until_it_is_taken_back(
    growing: Room,
) -> None:
    photo = whole_photo(growing)
    assert covers(growing) == []
    growing.post(f"/api/photos/{photo}/trays", tray=17)
    assert covers(growing) == [(photo, 0.4)]
    assert growing.get("/api/trays/17")["latest"]["id"] == photo
    assert growing.client.delete(f"/api/photos/{photo}/trays/17").status_code == 200
    assert covers(growing) == []


def test_photo_told_to_be_of_two_trays_measures_neither(growing: Room) -> None:
    photo = whole_photo(growing)
    for tray in (17, 18):
        growing.post(f"/api/photos/{photo}/trays", tray=tray)
    assert covers(growing, 17) == covers(growing, 18) == []


def test_number_that_was_read_goes_before_what_was_told(growing: Room) -> None:
    photo = growing.photograph(18, START - timedelta(hours=1), cover=0.3)["id"]
    growing.post(f"/api/photos/{photo}/trays", tray=17)
    assert covers(growing, 17) == []
    assert covers(growing, 18) == [(photo, 0.3)]


def test_likely_patch_asks_for_a_look_with_the_photo_itself(growing: Room) -> None:
    photo = whole_photo(growing, mould=[PATCH])
    assert mould_flags(growing) == []
    growing.post(f"/api/photos/{photo}/trays", tray=17)
    (flag,) = mould_flags(growing)
    assert (flag["tray"], flag["level"], flag["now"]) == (17, "look", None)
    assert "cannot tell its size" in flag["reason"]
    assert growing.client.get(f"/flags/{flag['id']}").status_code == 200
    assert growing.client.get("/trays/17").status_code == 200
    # An answer to it silences it, as with any other.
    answer = growing.client.post(f"/api/flags/{flag['id']}/verdict", json={"verdict": "glare"})
    assert answer.status_code == 200, answer.text
    growing.client.post(f"/api/photos/{photo}/inspect")
    assert mould_flags(growing) == []
