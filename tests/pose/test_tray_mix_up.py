"""Bars and strips that were put back on another tray: nobody's measures become another's."""

import cv2
import numpy as np
import pytest

from tests.pose.tray_views import CAMERA, SIZE, TRAY, VIEW, Image, drawn, find
from trayvision.pose.pose import find_trays
from trayvision.quality_flags import Doubt
from trayvision.reference_kit import TraySize, tag_id
from trayvision.synthetic.tray import DrawnTray, View, as_photo, draw_photo
from trayvision.tags.family import tag_cells

OTHER = 9
BAR_A, BAR_B, HEAD = (0, 1), (2, 3), (4, 5)


def _with_parts_of_another(corners: tuple[int, ...]) -> Image:
    """The tray with the other number's tags stuck over its own."""
    pixels = drawn(TRAY)
    cell = 12
    for corner in corners:
        cells = np.pad(tag_cells(tag_id(OTHER, corner)), 1, constant_values=True)
        levels = np.where(cells, 225, 30).astype(np.uint8)
        card = np.asarray(levels.repeat(cell, axis=0).repeat(cell, axis=1), dtype=np.uint8)
        low, high = cell - 0.5, 9 * cell - 0.5
        square = np.array([[low, low], [high, low], [high, high], [low, high]], dtype=np.float32)
        at = VIEW.project(CAMERA, SIZE.tag_corners_mm(corner)).astype(np.float32)
        warp = cv2.getPerspectiveTransform(square, at)
        size = (pixels.shape[1], pixels.shape[0])
        stuck = cv2.warpPerspective(card, warp, size, flags=cv2.INTER_AREA)
        inside = cv2.warpPerspective(np.full_like(card, 255), warp, size) > 127
        pixels = np.where(inside[:, :, None], stuck[:, :, None], pixels).astype(np.uint8)
    return pixels


@pytest.mark.parametrize("corners", [BAR_A, BAR_B, (*BAR_B, *HEAD), (0,)])
def test_bars_of_two_trays_on_one_name_neither(corners: tuple[int, ...]) -> None:
    found = find(_with_parts_of_another(corners))
    assert found.poses == ()
    assert sorted((one.number, one.doubts) for one in found.problems) == [
        (OTHER, (Doubt.KITS_MIXED,)),
        (TRAY.number, (Doubt.KITS_MIXED,)),
    ]
    assert all("Put each tray's own bars back." in one.sentence for one in found.problems)


def test_strip_of_another_tray_gives_that_tray_no_measures() -> None:
    found = find(_with_parts_of_another(HEAD))
    assert [pose.number for pose in found.poses] == [TRAY.number]
    assert [(one.number, one.doubts) for one in found.problems] == [(OTHER, (Doubt.KITS_MIXED,))]
    assert found.problems[0].sentence.startswith("Tray 9: its height strip stands on tray 31;")


def _with_blades_over_the_rim(pixels: Image, share: float) -> Image:
    """A green strip along one side of each rim tag, so much of it wide."""
    pixels = pixels.copy()
    for corner in (*BAR_A, *BAR_B):
        up_left, up_right, down_right, down_left = SIZE.tag_corners_mm(corner)
        inner = [
            share * a + (1 - share) * b for a, b in ((up_left, down_left), (up_right, down_right))
        ]
        blade = np.array([*inner, down_right, down_left])
        at = VIEW.project(CAMERA, blade).round().astype(np.int32)
        cv2.fillConvexPoly(pixels, at, (70, 120, 40))
    return pixels


def test_strip_of_another_tray_is_noticed_where_blades_hang_over_the_bars() -> None:
    found = find(_with_blades_over_the_rim(_with_parts_of_another(HEAD), 0.35))
    assert [pose.number for pose in found.poses] == [TRAY.number]
    assert [(one.number, one.doubts) for one in found.problems] == [(OTHER, (Doubt.KITS_MIXED,))]


def test_strip_is_believed_where_nothing_of_the_rim_can_be_read() -> None:
    found = find(_with_blades_over_the_rim(drawn(TRAY), 1.0))
    assert [pose.number for pose in found.poses] == [TRAY.number]
    assert {tag.corner for tag in found.poses[0].tags} == {*HEAD}


def test_trays_end_to_end_of_which_half_shows_are_no_mix_up() -> None:
    # Two trays on one shelf, 30 mm apart; of each only the bar at the joint can be read.
    size = TraySize(250.0, 200.0, 50.0)
    left = DrawnTray(3, size=size, shown_corners=BAR_B, strip=False)
    right = DrawnTray(8, size=size, shown_corners=BAR_A, strip=False)
    view = View.looking_at((180.0, -60.0, 620.0), (180.0, 0.0, 0.0))
    apart = np.array([size.length_mm + 2 * 40.0 + 30.0, 0.0, 0.0])
    beside = View(view.rotation, view.translation_mm + view.rotation @ apart)
    pixels = draw_photo([(left, view), (right, beside)], CAMERA, seed=3)
    found = find_trays(as_photo(pixels), size=size, camera=CAMERA)
    assert [pose.number for pose in found.poses] == [3, 8]
    assert found.problems == ()
