"""Which trays a photo shows: never a wrong number, never tags of two made one."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.pose.tray_views import (
    CAMERA,
    SIZE,
    TRAY,
    VIEW,
    FloatArray,
    Image,
    drawn,
    find,
    only,
    plane_errors,
    stated,
)
from trayvision.camera.camera import Camera
from trayvision.pose.grouping import largest_agreement, second_tray
from trayvision.pose.pose import find_trays
from trayvision.pose.tray_pose import TraysFound
from trayvision.quality_flags import Doubt, PhotoProblem
from trayvision.reference_kit import TraySize
from trayvision.synthetic.tray import (
    DrawnTray,
    View,
    as_photo,
    draw_photo,
    tag_corners_px,
)
from trayvision.tags.family import tag_cells
from trayvision.tags.reading import ReadTag


@pytest.mark.parametrize("corner", range(6))
def test_one_tag_alone_is_refused(corner: int) -> None:
    found = find(drawn(replace(TRAY, shown_corners=(corner,))))
    assert found.poses == ()
    assert [(p.number, p.doubts) for p in found.problems] == [(31, (Doubt.ONE_TAG_ONLY,))]
    assert str(186 + corner) in found.problems[0].sentence


def test_a_photo_without_tags_says_so() -> None:
    found = find(np.full((460, 640, 3), 90, dtype=np.uint8))
    assert found.poses == ()
    assert [(p.number, p.doubts) for p in found.problems] == [(None, (Doubt.NO_TAGS,))]


def test_a_mirrored_photo_is_refused() -> None:
    with pytest.raises(PhotoProblem, match="drawn: The photo is mirrored") as refusal:
        find(np.ascontiguousarray(drawn()[:, ::-1]))
    assert refusal.value.doubts == (Doubt.MIRRORED,)


def _two_trays(first: int, second: int, second_tray: DrawnTray = TRAY) -> Image:
    small = TraySize(300.0, 150.0, 40.0)
    views = [View.looking_at((20.0, y, 760.0), (30.0, y, 0.0)) for y in (-115.0, 115.0)]
    trays = [
        replace(TRAY, number=first, size=small),
        replace(second_tray, number=second, size=small),
    ]
    return draw_photo(list(zip(trays, views, strict=True)), CAMERA, seed=2)


def _find_small(pixels: Image) -> TraysFound:
    return find_trays(as_photo(pixels), size=TraySize(300.0, 150.0, 40.0), camera=CAMERA)


def test_two_trays_are_both_placed() -> None:
    found = _find_small(_two_trays(7, 90))
    assert [pose.number for pose in found.poses] == [7, 90]
    assert found.problems == ()
    apart = found.poses[0].translation_mm - found.poses[1].translation_mm
    assert np.linalg.norm(apart) == pytest.approx(230.0, abs=1.5)


def test_a_large_photo_shows_a_far_tray_beside_a_near_one() -> None:
    # Large photos are read at half their size first, where the far tray's tags are 12 px.
    small, camera = TraySize(300.0, 150.0, 40.0), CAMERA.scaled_to(1920, 1380)
    near = View.looking_at((20.0, -115.0, 760.0), (30.0, -115.0, 0.0))
    far = View.looking_at((0.0, 420.0, 1900.0), (0.0, 420.0, 0.0))
    trays = [(replace(TRAY, number=n, size=small), view) for n, view in ((7, near), (90, far))]
    found = find_trays(as_photo(draw_photo(trays, camera, seed=2)), size=small, camera=camera)
    assert [pose.number for pose in found.poses] == [7, 90]
    assert min(len(pose.tags) for pose in found.poses) >= 5
    assert min(tag.edge_px for tag in found.poses[1].tags) < 28


def test_two_trays_of_one_number_are_both_refused() -> None:
    found = _find_small(_two_trays(7, 7))
    assert found.poses == ()
    assert [(p.number, p.doubts) for p in found.problems] == [(7, (Doubt.SAME_NUMBER_TWICE,))]


def test_a_second_tray_of_the_number_of_which_one_tag_shows_is_noticed() -> None:
    found = _find_small(_two_trays(7, 7, replace(TRAY, shown_corners=(5,))))
    assert found.poses == ()
    assert [(p.number, p.doubts) for p in found.problems] == [(7, (Doubt.SAME_NUMBER_TWICE,))]


def _with_picture_of_tag(pixels: Image, tag: int, corners: FloatArray) -> Image:
    """A white card with a tag, pasted anywhere: a phone's screen held into the photo."""
    cell = 12
    print_out = np.where(np.pad(tag_cells(tag), 2, constant_values=True), 235, 25).astype(np.uint8)
    print_out = np.kron(print_out, np.ones((cell, cell), dtype=np.uint8))
    low, high = 2 * cell - 0.5, 10 * cell - 0.5
    square = np.array([[low, low], [high, low], [high, high], [low, high]], dtype=np.float32)
    warp = cv2.getPerspectiveTransform(square, corners.astype(np.float32))
    size = (pixels.shape[1], pixels.shape[0])
    drawn = cv2.warpPerspective(print_out, warp, size, flags=cv2.INTER_AREA)
    inside = cv2.warpPerspective(np.full_like(print_out, 255), warp, size) > 127
    return np.where(inside[:, :, None], drawn[:, :, None], pixels).astype(np.uint8)


SCREEN = np.array([[20.0, 400.0], [66.0, 396.0], [69.0, 442.0], [23.0, 447.0]])


def test_an_own_tag_on_a_screen_changes_neither_number_nor_pose() -> None:
    tray = replace(TRAY, shown_corners=(1, 2, 3, 4, 5))
    found = find(_with_picture_of_tag(drawn(tray), 186, 0.8 * SCREEN + [5.0, 60.0]))
    for pose in found.poses:
        assert pose.number == 31
        assert 186 not in {tag.id for tag in pose.tags}
        assert (plane_errors(pose, VIEW, CAMERA) < 3 * stated(pose) + 0.1).all()


@pytest.mark.parametrize("tag", [0, 187, 301, 586])
def test_another_tag_on_a_screen_is_no_tray(tag: int) -> None:
    found = find(_with_picture_of_tag(drawn(), tag, SCREEN))
    assert {pose.number for pose in found.poses} <= {31}
    for pose in found.poses:
        assert (plane_errors(pose, VIEW, CAMERA) < 3 * stated(pose) + 0.1).all()
    if tag // 6 != 31:
        assert [pose.number for pose in found.poses] == [31]
        assert {problem.number for problem in found.problems} == (
            {tag // 6} if tag < 582 else set()
        )


def test_a_neighbour_at_the_edge_is_named_and_not_placed() -> None:
    neighbour = replace(TRAY, number=44, shown_corners=(1,))
    aside = View(VIEW.rotation, VIEW.translation_mm + VIEW.rotation @ [0.0, 270.0, 0.0])
    pixels = draw_photo([(neighbour, aside), (TRAY, VIEW)], CAMERA, seed=1)
    found = find(pixels)
    assert [pose.number for pose in found.poses] == [31]
    assert {problem.number for problem in found.problems} <= {44}


def test_the_carried_strip_counts_as_the_head_of_the_tray_it_stands_on() -> None:
    tray = replace(TRAY, carried_strip=True)
    pose = only(find(drawn(tray)), 31)
    assert {tag.id for tag in pose.tags} == {186, 187, 188, 189, 580, 581}
    assert (plane_errors(pose, VIEW, CAMERA) < 3 * stated(pose) + 0.05).all()


def test_the_carried_strip_completes_a_tray_of_one_tag() -> None:
    tray = replace(TRAY, carried_strip=True, shown_corners=(0, 4, 5))
    pose = only(find(drawn(tray)), 31)
    assert {tag.id for tag in pose.tags} == {186, 580, 581}


def test_a_carried_strip_without_a_tray_is_a_problem() -> None:
    tray = replace(TRAY, carried_strip=True, shown_corners=(4, 5))
    found = find(drawn(tray))
    assert found.poses == ()
    assert [problem.number for problem in found.problems] == [96]


@pytest.mark.parametrize("size", [TraySize(540.0, 250.0, 50.0), TraySize(400.0, 180.0, 50.0)])
def test_tags_that_do_not_fit_the_size_given_are_a_problem(size: TraySize) -> None:
    found = find_trays(as_photo(drawn()), size=size, camera=CAMERA)
    assert found.poses == ()
    assert [(p.number, p.doubts) for p in found.problems] == [(31, (Doubt.TAGS_CONTRADICT,))]


def _read(tray: DrawnTray = TRAY) -> list[ReadTag]:
    corners = tag_corners_px(tray, VIEW, CAMERA)
    return [ReadTag(tag, px, 0.1) for tag, px in corners.items()]


@given(
    which=st.integers(0, 5),
    shift=st.tuples(st.floats(15, 80), st.floats(0, 2 * np.pi)),
)
@settings(max_examples=25)
def test_a_moved_tag_is_dropped_or_the_tray_refused(which: int, shift: tuple[float, float]) -> None:
    tags = _read()
    away = shift[0] * np.array([np.cos(shift[1]), np.sin(shift[1])])
    tags[which] = replace(tags[which], corners_px=tags[which].corners_px + away)
    placed = largest_agreement(tags, SIZE, CAMERA)
    assert placed is not None
    assert len(placed.tags) == 5
    assert tags[which].id not in {tag.id for tag in placed.tags}
    problem = second_tray(31, placed, tags, SIZE, CAMERA)
    assert problem is None or problem.doubts == (Doubt.TAGS_CONTRADICT,)
    assert placed.fit.rms_px < 0.1


def test_a_camera_of_another_shape_is_a_wrong_call() -> None:
    with pytest.raises(ValueError, match="aspect ratios must agree"):
        find(drawn(), Camera(1920, 1080, 1500.0, 1500.0, 960.0, 540.0))


def test_a_fixed_camera_keeps_the_tray_when_one_tag_is_left() -> None:
    before = only(find(drawn()), 31)
    left = as_photo(drawn(replace(TRAY, shown_corners=(4,))))
    pose = only(find_trays(left, size=SIZE, camera=CAMERA, earlier=[before]), 31)
    assert [tag.corner for tag in pose.tags] == [4]
    assert Doubt.EARLIER_POSE in pose.doubts
    assert (plane_errors(pose, VIEW, CAMERA) < 3 * stated(pose)).all()
    assert stated(pose).max() < 3.0


def test_an_earlier_pose_that_the_tags_contradict_is_not_kept() -> None:
    moved = View.looking_at((-60.0, -20.0, 600.0), (60.0, 30.0, 0.0))
    before = only(find(draw_photo([(TRAY, moved)], CAMERA, seed=5)), 31)
    left = as_photo(drawn(replace(TRAY, shown_corners=(4,))))
    found = find_trays(left, size=SIZE, camera=CAMERA, earlier=[before])
    assert found.poses == ()
    assert [p.doubts for p in found.problems] == [(Doubt.ONE_TAG_ONLY,)]


def test_an_earlier_pose_of_which_nothing_is_seen_now_is_not_kept() -> None:
    before = only(find(drawn()), 31)
    blank = as_photo(np.full((460, 640, 3), 90, dtype=np.uint8))
    assert find_trays(blank, size=SIZE, camera=CAMERA, earlier=[before]).poses == ()
