"""Trays without a kit, marked by their corners: on drawn trays of known truth, and on a sample."""

import json
from dataclasses import replace
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from PIL import Image

from trayvision.camera.camera import Camera
from trayvision.inspection.inspection import Inspection, inspect_marked, inspect_photo
from trayvision.inspection.record import photo_record
from trayvision.measurement import Measurement
from trayvision.overlay.overlay import draw_overlay
from trayvision.photo.photo import Photo, load_photo
from trayvision.pose.marked_pose import place_marked
from trayvision.pose.marked_tray import CORNER_NAMES, TAP_SHARE, Corners, MarkedTray
from trayvision.quality_flags import Doubt, PhotoProblem
from trayvision.reference_kit import TraySize
from trayvision.synthetic.tray import DrawnTray, View, draw_photo

PHOTOS = Path(__file__).parents[2] / "sample_images" / "photos"
SIZE = TraySize(400.0, 250.0, 50.0)
CAMERA = Camera(1100, 900, 980.0, 980.0, 560.0, 440.0)
# A flat bed with flat shoots at its height: what is seen is the cover, from any side.
TRAY = DrawnTray(7, SIZE, cover=0.4, bed_height_mm=30.0, canopy_height_mm=30.0, strip=False)
VIEWS = {
    "from above": View.looking_at((10.0, 5.0, 520.0), (0.0, 0.0, 0.0)),
    "slanted": View.looking_at((60.0, -330.0, 500.0), (0.0, 10.0, -20.0)),
}
SQUARE: Corners = ((100.0, 600.0), (900.0, 600.0), (900.0, 100.0), (100.0, 100.0))


def as_corners(points: Any) -> Corners:
    near_left, near_right, far_right, far_left = ((float(x), float(y)) for x, y in points)
    return near_left, near_right, far_right, far_left


def marked_on(view: View) -> MarkedTray:
    return MarkedTray(as_corners(view.project(CAMERA, SIZE.opening_mm)), SIZE, number=7)


@cache
def drawn(view: View) -> Photo:
    # The tags are white: nothing but the corners places this tray.
    bare = replace(TRAY, shown_corners=())
    return photo_of(draw_photo([(bare, view)], CAMERA, seed=3))


def photo_of(pixels: Any) -> Photo:
    file = BytesIO()
    Image.fromarray(pixels).save(file, "PNG")
    return load_photo(file.getvalue())


@cache
def inspected(view: View) -> Inspection:
    return inspect_marked(drawn(view), marked_on(view), day=5.0)


def agree(one: Measurement, other: Measurement) -> bool:
    assert one.value is not None and one.uncertainty is not None
    assert other.value is not None and other.uncertainty is not None
    spread = float(np.hypot(one.uncertainty, other.uncertainty))
    assert spread < 0.08, "uncertainties so wide would agree with anything"
    return abs(one.value - other.value) < 1.96 * spread


def test_cover_is_the_same_from_above_and_slanted() -> None:
    above, slanted = (inspected(view).trays[0].cover.cover for view in VIEWS.values())
    assert agree(above, slanted)
    # The same tray with its kit, whose tags place it to a fraction of a millimetre.
    for view, marked in zip(VIEWS.values(), (above, slanted), strict=True):
        with_kit = photo_of(draw_photo([(TRAY, view)], CAMERA, seed=3))
        assert agree(inspect_photo(with_kit, tray_size=SIZE, day=5.0).trays[0].cover.cover, marked)


@pytest.mark.parametrize("view", VIEWS.values(), ids=VIEWS)
def test_four_exact_corners_tell_where_the_camera_was(view: View) -> None:
    photo = drawn(view)
    known = place_marked(photo, marked_on(view), CAMERA)
    assert_allclose(known.camera_position_mm, view.camera_mm, atol=1.0)
    # Without its focal length the direction still holds, which the cover needs.
    guessed = place_marked(photo, marked_on(view)).camera_position_mm
    slant, true_slant = (
        np.degrees(np.arctan2(np.hypot(*place[:2]), place[2]))
        for place in (guessed, view.camera_mm)
    )
    assert abs(slant - true_slant) < 6.0


def test_area_varies_with_the_taps_as_much_as_is_said() -> None:
    photo, random = drawn(VIEWS["slanted"]), np.random.default_rng(5)
    exact = marked_on(VIEWS["slanted"])
    sigma = TAP_SHARE * max(photo.width, photo.height)
    areas = [
        MarkedTray(
            as_corners(np.array(exact.corners_px) + random.normal(0, sigma, (4, 2))), SIZE
        ).area_px
        for _ in range(600)
    ]
    assert np.std(areas) / exact.area_px == pytest.approx(
        exact.edge_share(max(photo.width, photo.height)), rel=0.25
    )


def test_record_has_shares_and_no_millimetres() -> None:
    record = photo_record(inspected(VIEWS["slanted"]))
    (tray,) = record["trays"]
    assert (tray["tray"], tray["day"], tray["pose"], tray["sharpness"]) == (7, 5.0, None, None)
    assert tray["marked"]["typed_size"] == "400x250x50"
    assert list(tray["marked"]["corners_px"]) == list(CORNER_NAMES)
    assert {"corners_by_hand", "no_kit"} <= set(tray["doubts"])
    assert tray["canopy_height_mm"]["reason"] == "no_kit"
    places = [*tray["mould"], *tray["slime"], *tray["evenness"]["bare_areas"]]
    for place in places:
        assert 0 <= place["x_share"] <= 1 and 0 <= place["y_share"] <= 1
        assert not any(name.endswith(("_mm", "_mm2")) for name in place)
    assert places
    assert json.dumps(record)


def test_marked_sample_agrees_with_its_kit() -> None:
    name = "day6-barley-healthy-fixed"
    tray = json.loads((PHOTOS / f"{name}.json").read_text())["tray"]
    size = TraySize(tray["length"], tray["width"], tray["depth"])
    photo = load_photo(PHOTOS / f"{name}.jpg")
    with_kit = inspect_photo(photo, tray_size=size, day=6.0).trays[0]
    assert with_kit.pose is not None
    corners = as_corners(with_kit.pose.project(size.opening_mm))
    found = inspect_marked(photo, MarkedTray(corners, size), day=6.0)
    (by_hand,) = found.trays
    assert agree(with_kit.cover.cover, by_hand.cover.cover)
    assert (by_hand.number, by_hand.in_mm, with_kit.in_mm) == (None, False, True)
    assert Doubt.CORNERS_BY_HAND in by_hand.doubts
    assert draw_overlay(found).shape[2] == 3


def test_longer_side_of_the_photo_is_the_longer_side_of_the_tray() -> None:
    tall: Corners = ((300.0, 900.0), (700.0, 900.0), (700.0, 100.0), (300.0, 100.0))
    assert MarkedTray(SQUARE, SIZE).laid_size == SIZE
    assert MarkedTray(tall, SIZE).laid_size == TraySize(250.0, 400.0, 50.0)


@pytest.mark.parametrize(
    "corners",
    [
        (SQUARE[1], SQUARE[0], SQUARE[2], SQUARE[3]),
        (SQUARE[3], SQUARE[2], SQUARE[1], SQUARE[0]),
        (SQUARE[0], SQUARE[1], (300.0, 500.0), SQUARE[3]),
        (SQUARE[0], SQUARE[0], SQUARE[2], SQUARE[3]),
    ],
    ids=["crossed", "the wrong way round", "dented", "twice the same"],
)
def test_corners_must_go_round_the_tray(corners: Corners) -> None:
    with pytest.raises(ValueError, match="must go round the tray: near left, near right"):
        MarkedTray(corners, SIZE)


@pytest.mark.parametrize(
    ("corners", "message"),
    [
        (((5.0, 890.0), (2000.0, 890.0), (800.0, 50.0), (5.0, 50.0)), "must lie on the photo"),
        (((5.0, 60.0), (45.0, 60.0), (45.0, 50.0), (5.0, 50.0)), "lie too close together"),
    ],
)
def test_corners_that_fit_no_tray_are_a_problem_of_the_photo(
    corners: Corners, message: str
) -> None:
    with pytest.raises(PhotoProblem, match=message):
        inspect_marked(drawn(VIEWS["from above"]), MarkedTray(corners, SIZE))


def test_wrong_day_is_named() -> None:
    with pytest.raises(ValueError, match="day must be from -2 to 60 days since spreading, got 99"):
        inspect_marked(b"", MarkedTray(SQUARE, SIZE), day=99)
