"""The rendered sample photos: truth files, masks, EXIF and size agree with each other."""

import json
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import ExifTags, Image

from photo_sets import PLANS
from trayvision.reference_kit import TraySize, tag_id
from viewpoints import framing_points, take_view

FOLDER = Path(__file__).parents[2] / "sample_images"
SINGLES = sorted((FOLDER / "photos").glob("*.json"))
RUN = sorted((FOLDER / "run").glob("tray*.json"))
EVERY = [*SINGLES, *RUN]


@cache
def truth(path: Path) -> dict[str, Any]:
    facts: dict[str, Any] = json.loads(path.read_text())
    return facts


def size_of(facts: dict[str, Any]) -> TraySize:
    tray = facts["tray"]
    return TraySize(tray["length"], tray["width"], tray["depth"])


def projected(facts: dict[str, Any], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Pinhole projection in OpenCV's model."""
    camera = facts["camera"]
    seen = points @ np.array(camera["R_world_to_camera"]).T + camera["t_world_to_camera"]
    pixels: NDArray[np.float64] = seen[..., :2] / seen[..., 2:] * [camera["fx"], camera["fy"]]
    return np.asarray(pixels + [camera["cx"], camera["cy"]])


def sibling(path: Path, ending: str) -> Path:
    return path.with_name(path.name.removesuffix(".json") + ending)


def test_there_are_enough_photos_and_they_are_not_too_large() -> None:
    assert len(SINGLES) >= 44
    assert len(RUN) == 8 * 9
    assert {truth(path)["day"] for path in SINGLES} >= set(range(9))
    kinds = {patch["kind"] for path in SINGLES for patch in truth(path)["mould"]}
    assert kinds == {"white-fuzz", "grey-green", "black", "pink"}
    total = sum(file.stat().st_size for file in FOLDER.rglob("*") if file.suffix != ".pyc")
    assert total < 60e6


def test_tag_corners_are_the_kit_seen_through_the_camera() -> None:
    for path in EVERY:
        facts = truth(path)
        size = size_of(facts)
        assert facts["tags"], path.name
        for tag in facts["tags"]:
            number = facts["head_number"] if tag["corner"] >= 4 else facts["tray_number"]
            assert tag["id"] == tag_id(number, tag["corner"])
            corners = projected(facts, size.tag_corners_mm(tag["corner"]))
            np.testing.assert_allclose(tag["corners_px"], corners, atol=2e-3, err_msg=path.name)


def test_camera_rotations_are_proper() -> None:
    for path in EVERY:
        turn = np.array(truth(path)["camera"]["R_world_to_camera"])
        np.testing.assert_allclose(turn @ turn.T, np.eye(3), atol=1e-9)
        assert np.linalg.det(turn) == pytest.approx(1.0)


@pytest.mark.parametrize("path", EVERY[::5], ids=lambda path: path.stem)
def test_masks_fit_their_photo_and_their_truth(path: Path) -> None:
    facts = truth(path)
    mask = cv2.imread(str(sibling(path, ".classes.png")), cv2.IMREAD_UNCHANGED)
    assert mask is not None
    assert mask.shape == (facts["camera"]["height"], facts["camera"]["width"])
    assert set(np.unique(mask)) <= set(range(7))
    visible = sum(patch["visible_px"] for patch in facts["mould"])
    assert np.count_nonzero(mask == 4) == visible
    photo = cv2.imread(str(sibling(path, ".jpg")))
    assert photo is not None
    assert photo.shape[:2] == mask.shape


# The equivalent refers to the diagonal of 36 mm x 24 mm (CIPA DCG-001).
def test_every_photo_has_exif_with_time_offset_and_focal_length() -> None:
    orientations = set()
    for path in EVERY:
        facts = truth(path)
        with Image.open(sibling(path, ".jpg")) as photo:
            exif, size = photo.getexif(), photo.size
        details = exif.get_ifd(ExifTags.IFD.Exif)
        stamp = details[ExifTags.Base.DateTimeOriginal] + details[ExifTags.Base.OffsetTimeOriginal]
        taken = datetime.strptime(stamp, "%Y:%m:%d %H:%M:%S%z")
        assert abs((taken - datetime.fromisoformat(facts["taken_at"])).total_seconds()) < 1
        camera = facts["camera"]
        equivalent = 43.27 * camera["fx"] / np.hypot(camera["width"], camera["height"])
        assert abs(details[ExifTags.Base.FocalLengthIn35mmFilm] - equivalent) <= 0.51
        orientation = exif[ExifTags.Base.Orientation]
        orientations.add(orientation)
        upright = (facts["camera"]["width"], facts["camera"]["height"])
        assert size == (upright[::-1] if orientation == 6 else upright)
    assert orientations == {1, 6}


# An independent reader: OpenCV's ArUco detector with subpixel corners. Its corners lie up to
# 0.8 px inside on average, because white spills over black.
@pytest.mark.parametrize("name", ["day1-barley-white-tips-phone", "day4-wheat-wet-tags-fixed"])
def test_an_independent_detector_reads_the_same_tags(name: str) -> None:
    path = FOLDER / "photos" / f"{name}.json"
    photo = cv2.imread(str(sibling(path, ".jpg")), cv2.IMREAD_GRAYSCALE)
    assert photo is not None
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(family, settings).detectMarkers(photo)
    known = {tag["id"]: tag["corners_px"] for tag in truth(path)["tags"]}
    assert len(ids) >= 3
    for found, number in zip(corners, ids.ravel(), strict=True):
        error = np.linalg.norm(found[0] - known[int(number)], axis=1)
        assert error.max() < 3.0


def test_the_run_grows_and_its_mould_spreads() -> None:
    run = json.loads((FOLDER / "run" / "run.json").read_text())
    assert len(run["trays"]) == 8
    for photo in run["photos"]:
        facts = truth(FOLDER / "run" / photo["file"].replace(".jpg", ".json"))
        assert facts["tray_number"] == photo["tray"]
        assert facts["taken_at"] == photo["taken_at"]
    for tray in run["trays"]:
        series = [truth(FOLDER / "run" / f"tray{tray['number']}-day{day}.json") for day in range(9)]
        covers = [facts["cover_ortho"] for facts in series]
        heights = [facts["canopy_height_mm"]["height_p90"] for facts in series]
        assert covers == sorted(covers)
        assert np.diff(heights[3:]).min() > 0
        patches = [max([0, *(p["equivalent_diameter_mm"] for p in f["mould"])]) for f in series]
        if tray["number"] == 13:
            assert patches[:3] == [0, 0, 0]
            assert 0 < patches[3] < 5
            assert patches[4] > 10
            assert patches[8] > 40
        else:
            assert max(patches) == 0


def test_the_weak_lot_stays_behind() -> None:
    def cover(tray: int) -> float:
        value: float = truth(FOLDER / "run" / f"tray{tray}-day6.json")["cover_ortho"]
        return value

    assert cover(23) < 0.7 * min(cover(tray) for tray in (21, 22, 24))


@pytest.mark.parametrize("name", ["samples", "run"])
def test_plans_reproduce_the_stored_cameras(name: str) -> None:
    folder = FOLDER / ("photos" if name == "samples" else "run")
    for plan in PLANS[name]():
        stored = truth(folder / f"{plan.name}.json")["camera"]
        points = framing_points(plan.tray.size, with_head=plan.tray.kit.strip)
        camera = take_view(plan.view, points)
        np.testing.assert_allclose(camera.rotation, stored["R_world_to_camera"], atol=1e-9)
        np.testing.assert_allclose(camera.translation, stored["t_world_to_camera"], atol=1e-6)
