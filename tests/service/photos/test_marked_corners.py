"""Corners marked on a photo: kept as an entry, used when it is measured again, undone."""

from typing import Any

import pytest

from service.log.refusals import Busy
from tests.service.conftest import START, Room
from tests.service.recorded_inspections import picture_saying
from trayvision.pose.marked_tray import MarkedTray
from trayvision.reference_kit import TraySize

CORNERS = [[40.0, 260.0], [360.0, 260.0], [330.0, 40.0], [70.0, 40.0]]
OTHERS = [[50.0, 260.0], [360.0, 260.0], [330.0, 40.0], [70.0, 40.0]]


@pytest.fixture
def photo(room: Room) -> int:
    """A photo in which no tag could be read."""
    number: int = room.send(picture_saying("no tags")).json()["photos"][0]["id"]
    return number


def marked_now(room: Room, photo: int) -> Any:
    (tray,) = room.get(f"/api/photos/{photo}")["trays"]
    return tray["marked"]


def test_marked_tray_is_measured_as_the_tray_that_was_chosen(room: Room, photo: int) -> None:
    room.post("/api/trays", number=9, size="400x250x50")
    room.post("/api/runs", tray=9, spread_at=START.isoformat())
    out = room.post(f"/api/photos/{photo}/corners", corners=CORNERS, tray=9)
    assert out["problem"] is None
    assert [tray["tray"] for tray in out["trays"]] == [9]
    corners = tuple((x, y) for x, y in CORNERS)
    assert room.inspector.jobs[-1].marked == MarkedTray(corners, TraySize(400, 250, 50), 9)  # type: ignore[arg-type]
    # It is one of the tray's photos, and a point of its curve.
    assert room.get("/api/photos?tray=9")["photos"][0]["id"] == photo
    curve = room.get("/api/trays/9/curve")
    assert [point["photo_id"] for point in curve["cover"]["points"]] == [photo]
    assert curve["height"]["points"] == []


def test_size_is_the_typed_one_else_the_trays_else_the_rooms(room: Room, photo: int) -> None:
    room.post("/api/trays", number=9, size="400x250x50")
    for said, size in (
        ({}, "540x280x60"),
        ({"tray": 9}, "400x250x50"),
        ({"tray": 9, "size": "300x200x40"}, "300x200x40"),
    ):
        room.post(f"/api/photos/{photo}/corners", corners=CORNERS, **said)
        assert marked_now(room, photo)["typed_size"] == size


def test_measuring_again_uses_the_corners_until_they_are_taken_back(room: Room, photo: int) -> None:
    room.post(f"/api/photos/{photo}/corners", corners=CORNERS)
    room.post(f"/api/photos/{photo}/corners", corners=OTHERS, why="slipped")
    assert room.client.post(f"/api/photos/{photo}/inspect").status_code == 200
    assert marked_now(room, photo)["corners_px"]["near_left"] == [50.0, 260.0]
    out = room.client.delete(f"/api/photos/{photo}/corners").json()
    assert out["trays"] == []
    assert room.client.delete(f"/api/photos/{photo}/corners").status_code == 404
    # Marked once more, after they were withdrawn.
    room.post(f"/api/photos/{photo}/corners", corners=CORNERS)
    assert marked_now(room, photo)["corners_px"]["near_left"] == [40.0, 260.0]


def test_undo_puts_back_what_was_marked_before(room: Room, photo: int) -> None:
    room.post(f"/api/photos/{photo}/corners", corners=CORNERS)
    room.post(f"/api/photos/{photo}/corners", corners=OTHERS)
    for entry, near_left in ((2, [40.0, 260.0]), (3, [50.0, 260.0])):
        answer = room.client.post(
            "/undo", data={"entry": f"tray_corners:{entry}"}, follow_redirects=False
        )
        assert answer.status_code == 303
        assert marked_now(room, photo)["corners_px"]["near_left"] == near_left


def test_undo_of_corners_that_cannot_be_measured_now_leaves_all_as_it_was(
    room: Room, photo: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    room.post(f"/api/photos/{photo}/corners", corners=CORNERS)
    room.post(f"/api/photos/{photo}/corners", corners=OTHERS)

    def full(_job: object) -> None:
        raise Busy("photo", "cannot be taken in while so many others wait")

    with monkeypatch.context() as busy:
        busy.setattr(room.inspector, "inspect", full)
        answer = room.client.post("/undo", data={"entry": "tray_corners:2"})
    assert answer.status_code == 503
    room.client.post(f"/api/photos/{photo}/inspect")
    assert marked_now(room, photo)["corners_px"]["near_left"] == [50.0, 260.0]
    answer = room.client.post("/undo", data={"entry": "tray_corners:2"}, follow_redirects=False)
    assert answer.status_code == 303
    assert marked_now(room, photo)["corners_px"]["near_left"] == [40.0, 260.0]


@pytest.mark.parametrize(
    ("said", "status", "rule"),
    [
        ({"corners": CORNERS[:3]}, 422, "corners"),
        ({"corners": CORNERS[::-1]}, 422, "must go round the tray: near left, near right"),
        ({"corners": CORNERS, "tray": 9}, 404, "tray 9"),
        ({"corners": CORNERS, "size": "large"}, 422, "LENGTHxWIDTHxDEPTH"),
    ],
    ids=["three", "the wrong way round", "unknown tray", "no size"],
)
def test_what_fits_no_tray_is_refused(
    room: Room, photo: int, said: dict[str, Any], status: int, rule: str
) -> None:
    answer = room.client.post(f"/api/photos/{photo}/corners", json=said)
    assert answer.status_code == status
    assert rule in answer.json()["detail"]
    assert room.get(f"/api/photos/{photo}")["trays"] == []
