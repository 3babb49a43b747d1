"""Trays whose tags are covered are still found where a fixed camera saw them before."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from service.photos.inspection_job import InspectedPhoto, InspectionJob
from service.photos.measuring import inspect_job
from service.photos.pose_records import POSES_NAME, same_run_poses
from tests.service.conftest import START, Room
from tests.service.recorded_inspections import RecordedInspector, photo_bytes

PHOTOS = Path(__file__).parents[3] / "sample_images" / "photos"
SPREAD = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
TAKEN = datetime(2026, 3, 3, 7, 12, tzinfo=UTC)


def _covered(source: Path, path: Path, *, leave: int) -> Path:
    """The photo with all tags of the tray covered but one, as by blades."""
    picture = cv2.imread(str(source))
    truth = json.loads(source.with_suffix(".json").read_text())
    assert picture is not None
    for tag in truth["tags"]:
        if tag["corner"] != leave:
            corners = np.array(tag["corners_px"])
            centre = corners.mean(axis=0)
            quad = np.round(centre + 1.6 * (corners - centre)).astype(np.int32)
            cv2.fillConvexPoly(picture, quad, (40, 120, 60))
    assert cv2.imwrite(str(path), picture, [cv2.IMWRITE_JPEG_QUALITY, 92])
    return path


def _job(path: Path, truth: dict[str, Any], **given: Any) -> InspectionJob:
    number, size = truth["tray_number"], truth["tray"]
    plain: dict[str, Any] = {
        "path": path,
        "name": path.name,
        "received_at": TAKEN,
        "room_zone": "Europe/Vienna",
        "tray_size": f"{size['length']:g}x{size['width']:g}x{size['depth']:g}",
        "sizes": {},
        "runs": {number: ((SPREAD, SPREAD + timedelta(days=60), SPREAD),)},
        "taken_at": TAKEN,
        "earlier": (),
    }
    return InspectionJob(**(plain | given))


@pytest.fixture(scope="module")
def source() -> Path:
    return PHOTOS / "day1-barley-standing-water-fixed.jpg"


@pytest.fixture(scope="module")
def truth(source: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(source.with_suffix(".json").read_text())
    return found


@pytest.fixture(scope="module")
def before(source: Path, truth: dict[str, Any]) -> InspectedPhoto:
    return inspect_job(_job(source, truth))


@pytest.fixture(scope="module")
def covered(source: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _covered(source, tmp_path_factory.mktemp("covered") / "covered.jpg", leave=4)


def _earlier(before: InspectedPhoto) -> tuple[dict[str, Any], ...]:
    kept = json.loads(before.pictures[POSES_NAME])
    return tuple({**pose, "taken_at": TAKEN - timedelta(hours=6)} for pose in kept)


def test_tray_with_covered_tags_is_found_where_it_lay(
    before: InspectedPhoto, covered: Path, truth: dict[str, Any]
) -> None:
    # Without what the camera saw before, one tag places no tray.
    alone = inspect_job(_job(covered, truth))
    assert alone.record["trays"] == []
    done = inspect_job(_job(covered, truth, earlier=_earlier(before)))
    (tray,) = done.record["trays"]
    (first,) = before.record["trays"]
    assert tray["tray"] == truth["tray_number"]
    assert "earlier_pose" in tray["doubts"]
    height_mm = first["pose"]["camera_height_mm"]
    assert tray["pose"]["camera_height_mm"] == pytest.approx(height_mm, rel=0.02)
    # A pose that rests on an earlier one is not kept for the next photo.
    assert json.loads(done.pictures[POSES_NAME]) == []


def test_pose_of_another_run_is_not_used(before: InspectedPhoto, truth: dict[str, Any]) -> None:
    number = truth["tray_number"]
    kept = _earlier(before)
    assert kept[0]["number"] == number
    same = {number: ((SPREAD, SPREAD + timedelta(days=60), SPREAD),)}
    later = TAKEN - timedelta(hours=1)
    respread = {number: ((later, TAKEN + timedelta(days=60), later),)}
    assert len(same_run_poses(kept, same, TAKEN)) == 1
    assert same_run_poses(kept, respread, TAKEN) == []
    assert same_run_poses(kept, same, TAKEN - timedelta(hours=7)) == []


def test_kept_pose_says_the_same_as_the_one_it_was(
    before: InspectedPhoto, truth: dict[str, Any]
) -> None:
    (pose,) = same_run_poses(_earlier(before), {}, TAKEN)
    for tag in truth["tags"]:
        corners = pose.size.tag_corners_mm(tag["corner"])
        # Truth of the rendered photo; 1360 px wide, so a thousandth of it.
        assert np.abs(pose.project(corners) - np.array(tag["corners_px"])).max() < 1.4
        assert pose.pixel_uncertainty_px(corners).max() < 2


class WithPoses(RecordedInspector):
    """Keeps a pose of each tray it is shown, as the library does for fixed cameras."""

    def inspect(self, job: InspectionJob) -> InspectedPhoto:
        done = super().inspect(job)
        poses = [{"number": tray["tray"]} for tray in done.record["trays"]]
        pictures = {**done.pictures, POSES_NAME: json.dumps(poses).encode()}
        return InspectedPhoto(done.record, done.taken_at, done.taken_at_from, pictures)


@pytest.fixture
def inspector() -> RecordedInspector:
    return WithPoses()


def test_inspection_is_told_where_this_camera_saw_each_tray_last(room: Room) -> None:
    def send(camera: str, *numbers: int, hours: float) -> tuple[Any, ...] | None:
        room.watch.now = START + timedelta(hours=hours)
        trays = [{"number": number} for number in numbers]
        form = {"camera": camera} if camera else {}
        assert room.send(photo_bytes(*trays, note=f"{camera}{hours}"), **form).status_code == 201
        return room.inspector.jobs[-1].earlier

    assert send("", 17, hours=0) is None
    assert send("Shelf 2", 17, 18, hours=1) == ()
    send("Shelf 3", 17, hours=2)
    send("Shelf 2", 18, hours=3)
    told = send("Shelf 2", 19, hours=4)
    assert told is not None
    assert [(pose["number"], pose["taken_at"]) for pose in told] == [
        (17, START + timedelta(hours=1)),
        (18, START + timedelta(hours=3)),
    ]
    assert send("Shelf 2", hours=24 * 7) == ()
