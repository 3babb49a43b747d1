"""Poses against drawn truth: within their stated uncertainty, and never a wrong tray."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trayvision.camera import Camera
from trayvision.pose import find_trays
from trayvision.pose_fit import PoseFit, TagPoints, fit_pose
from trayvision.quality_flags import Doubt, PhotoProblem
from trayvision.reference_kit import TraySize
from trayvision.synthetic_tray import (
    DrawnTray,
    View,
    as_photo,
    draw_photo,
    tag_corners_px,
)
from trayvision.tag_family import tag_cells
from trayvision.tag_reading import ReadTag
from trayvision.tray_grouping import largest_agreement, second_tray
from trayvision.tray_pose import TrayPose, TraysFound

Image = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]

CAMERA = Camera(640, 460, 520.0, 523.0, 309.0, 242.0)
TRAY = DrawnTray(31, cover=0.6, canopy_height_mm=35.0)
SIZE = TRAY.size
VIEW = View.looking_at((-110.0, -70.0, 560.0), (40.0, 10.0, 0.0))


@cache
def _drawn(tray: DrawnTray = TRAY) -> Image:
    return draw_photo([(tray, VIEW)], CAMERA, seed=5)


def _find(pixels: Image, camera: Camera | None = CAMERA) -> TraysFound:
    return find_trays(as_photo(pixels), size=SIZE, camera=camera)


def _only(found: TraysFound, number: int) -> TrayPose:
    assert [pose.number for pose in found.poses] == [number]
    return found.poses[0]


def _plane_errors(pose: TrayPose, view: View, camera: Camera) -> FloatArray:
    """Distances in mm by which points of the rim's plane land beside their true places."""
    points = np.vstack([pose.size.opening_mm, [[0.0, 0.0, 0.0]]])
    sight = pose.camera.undistort(view.project(camera, points))
    rays = np.column_stack([sight, np.ones(len(sight))]) @ pose.rotation
    eye = pose.camera_position_mm
    landed = eye - rays * (eye[2] / rays[:, 2])[:, None]
    return np.asarray(np.linalg.norm((landed - points)[:, :2], axis=1))


def _stated(pose: TrayPose) -> FloatArray:
    return pose.position_uncertainty_mm(np.vstack([pose.size.opening_mm, [[0.0, 0.0, 0.0]]]))


def _noisy_fits(
    corners: Sequence[int], camera: Camera, sigma: float, trials: int, seed: int = 1
) -> tuple[list[PoseFit], FloatArray]:
    """Fits to true corners with Gaussian noise, and the true rotation vector and translation."""
    rng = np.random.default_rng(seed)
    in_mm = np.stack([SIZE.tag_corners_mm(corner) for corner in corners])
    true = VIEW.project(CAMERA, in_mm)
    fits = [
        fit_pose(
            TagPoints(in_mm, true + rng.normal(0, sigma, true.shape), np.full(len(corners), sigma)),
            camera,
        )[0]
        for _ in range(trials)
    ]
    return fits, np.append(cv2.Rodrigues(VIEW.rotation)[0].ravel(), VIEW.translation_mm)


@pytest.mark.parametrize("corners", [(0, 1, 2, 3, 4, 5), (0, 1), (0, 1, 2, 3), (1, 3), (0, 4)])
def test_covariance_of_a_fit_is_that_of_its_errors(corners: tuple[int, ...]) -> None:
    exact = replace(CAMERA, focal_relative_uncertainty=1e-6)
    fits, truth = _noisy_fits(corners, exact, 0.1, 250)
    chi_square = []
    for fit in fits:
        error = fit.state[:6] - truth
        chi_square.append(error @ np.linalg.solve(fit.covariance[:6, :6], error))
    # Chi-square of six: mean 6, and 12.59 at 95 % (any table, such as NIST 1.3.6.7.4).
    assert np.mean(chi_square) == pytest.approx(6.0, abs=0.9)
    assert 0.89 < np.mean(np.array(chi_square) < 12.59) < 0.99


def test_head_alone_states_how_far_the_rim_may_be_off() -> None:
    # Far from its tags the pose bends, so that only the positions are tested, not all six.
    exact = replace(CAMERA, focal_relative_uncertainty=1e-6)
    fits, _ = _noisy_fits((4, 5), exact, 0.1, 250)
    poses = [
        TrayPose(31, SIZE, exact, fit.rotation, fit.translation_mm, (), 0.1, fit.covariance[:6, :6])
        for fit in fits
    ]
    ratio = np.array([_plane_errors(pose, VIEW, CAMERA) / _stated(pose) for pose in poses])
    assert 0.8 < np.sqrt((ratio**2).mean()) < 1.25
    assert (ratio < 2.45).mean() > 0.95


def test_unknown_focal_length_comes_out_within_its_uncertainty() -> None:
    fits, _ = _noisy_fits(range(6), Camera.typical(640, 460), 0.1, 120)
    nominal = Camera.typical(640, 460)
    # The guess is centred and has square pixels, so it is the same within a few per cent.
    focal = np.array([np.exp(fit.log_focal) * nominal.fx for fit in fits])
    assert abs(focal.mean() / CAMERA.fx - 1) < 0.05
    own = Camera(640, 460, 480.0, 482.77, CAMERA.cx, CAMERA.cy, focal_relative_uncertainty=0.25)
    fits, _ = _noisy_fits(range(6), own, 0.1, 200)
    error = [(fit.log_focal - np.log(520.0 / 480.0)) / fit.covariance[6, 6] ** 0.5 for fit in fits]
    assert np.std(error) == pytest.approx(1.0, abs=0.15)


@cache
def _scenes() -> tuple[tuple[TrayPose, View], ...]:
    rng = np.random.default_rng(21)
    scenes = []
    for seed in range(14):
        eye = (rng.uniform(-200, 0), rng.uniform(-120, 120), rng.uniform(500, 640))
        view = View.looking_at(eye, (rng.uniform(10, 50), rng.uniform(-15, 15), 0.0))
        tray = replace(TRAY, number=int(rng.integers(96)))
        blur = float(rng.uniform(0.5, 1.0))
        pixels = draw_photo([(tray, view)], CAMERA, seed=seed, blur_px=blur, noise=1.5)
        scenes.append((_only(_find(pixels), tray.number), view))
    return tuple(scenes)


def test_points_of_the_tray_land_within_the_stated_uncertainty() -> None:
    ratio = np.array(
        [_plane_errors(pose, view, CAMERA) / _stated(pose) for pose, view in _scenes()]
    )
    assert 0.4 < np.sqrt((ratio**2).mean()) < 1.4
    assert (ratio < 2.45).mean() > 0.93  # 95 % of a bivariate normal, MEM: sqrt(5.99)


def test_all_tags_give_the_tray_to_a_third_of_a_millimetre() -> None:
    errors = np.array([_plane_errors(pose, view, CAMERA) for pose, view in _scenes()])
    assert errors.max() < 0.35
    assert all(pose.reprojection_rms_px < 0.3 for pose, _ in _scenes())
    assert all(pose.doubts == () for pose, _ in _scenes())


def test_camera_position_and_projection_are_those_of_the_view() -> None:
    pose = _only(_find(_drawn()), 31)
    np.testing.assert_allclose(pose.camera_position_mm, [-110.0, -70.0, 560.0], atol=1.5)
    points = np.array([[[0.0, 0.0, 0.0], [100.0, -50.0, 30.0]], [[-150.0, 90.0, 0.0]] * 2])
    np.testing.assert_allclose(pose.project(points), VIEW.project(CAMERA, points), atol=0.4)
    assert pose.position_uncertainty_mm(points).shape == (2, 2)


@pytest.mark.parametrize("shown", [(0, 1), (2, 3), (4, 5), (1, 4), (0, 2), (0, 1, 5)])
def test_two_tags_are_enough_with_the_uncertainty_that_follows(shown: tuple[int, ...]) -> None:
    pose = _only(_find(_drawn(replace(TRAY, shown_corners=shown))), 31)
    assert sorted(tag.corner for tag in pose.tags) == sorted(shown)
    assert (_plane_errors(pose, VIEW, CAMERA) < 3 * _stated(pose)).all()
    one_end = len({corner in (0, 1) for corner in shown}) == 1
    assert (Doubt.FAR_END_LESS_EXACT in pose.doubts) == one_end


def test_fewer_tags_never_give_less_uncertainty() -> None:
    def stated(shown: tuple[int, ...]) -> float:
        return float(_stated(_only(_find(_drawn(replace(TRAY, shown_corners=shown))), 31)).max())

    assert stated((0, 1, 2, 3, 4, 5)) < stated((0, 1, 4, 5)) < stated((0, 1)) < stated((4, 5)) * 10


@pytest.mark.parametrize("corner", range(6))
def test_one_tag_alone_is_refused(corner: int) -> None:
    found = _find(_drawn(replace(TRAY, shown_corners=(corner,))))
    assert found.poses == ()
    assert [(p.number, p.doubts) for p in found.problems] == [(31, (Doubt.ONE_TAG_ONLY,))]
    assert str(186 + corner) in found.problems[0].sentence


def test_a_photo_without_tags_says_so() -> None:
    found = _find(np.full((460, 640, 3), 90, dtype=np.uint8))
    assert found.poses == ()
    assert [(p.number, p.doubts) for p in found.problems] == [(None, (Doubt.NO_TAGS,))]


def test_a_mirrored_photo_is_refused() -> None:
    with pytest.raises(PhotoProblem, match="drawn: The photo is mirrored") as refusal:
        _find(np.ascontiguousarray(_drawn()[:, ::-1]))
    assert refusal.value.doubts == (Doubt.MIRRORED,)


def _blades(pixels: Image, corners: FloatArray, rng: np.random.Generator) -> Image:
    covered = pixels.copy()
    centre, reach = corners.mean(axis=0), np.linalg.norm(corners[0] - corners[2])
    for _ in range(3):
        angle = rng.uniform(0, 2 * np.pi)
        start = centre + reach * np.array([np.cos(angle), np.sin(angle)])
        end = centre + rng.uniform(-0.25, 0.25, 2) * reach
        a, b = ((int(p[0].round()), int(p[1].round())) for p in (start, end))
        cv2.line(covered, a, b, (110, 165, 70), 3, cv2.LINE_AA)
    return covered


@pytest.mark.parametrize("seed", range(4))
def test_rim_tags_under_blades_are_found_from_the_head(seed: int) -> None:
    rng = np.random.default_rng(seed)
    truth = tag_corners_px(TRAY, VIEW, CAMERA)
    pixels = _drawn()
    for tag in (186, 187, 188, 189):
        pixels = _blades(pixels, truth[tag], rng)
    pose = _only(_find(pixels), 31)
    assert {tag.corner for tag in pose.tags} >= {4, 5}
    assert len(pose.tags) >= 5
    assert (_plane_errors(pose, VIEW, CAMERA) < 3.5 * _stated(pose) + 0.1).all()


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
    found = _find(_with_picture_of_tag(_drawn(tray), 186, 0.8 * SCREEN + [5.0, 60.0]))
    for pose in found.poses:
        assert pose.number == 31
        assert 186 not in {tag.id for tag in pose.tags}
        assert (_plane_errors(pose, VIEW, CAMERA) < 3 * _stated(pose) + 0.1).all()


@pytest.mark.parametrize("tag", [0, 187, 301, 586])
def test_another_tag_on_a_screen_is_no_tray(tag: int) -> None:
    found = _find(_with_picture_of_tag(_drawn(), tag, SCREEN))
    assert {pose.number for pose in found.poses} <= {31}
    for pose in found.poses:
        assert (_plane_errors(pose, VIEW, CAMERA) < 3 * _stated(pose) + 0.1).all()
    if tag // 6 != 31:
        assert [pose.number for pose in found.poses] == [31]
        assert {problem.number for problem in found.problems} == (
            {tag // 6} if tag < 582 else set()
        )


def test_a_neighbour_at_the_edge_is_named_and_not_placed() -> None:
    neighbour = replace(TRAY, number=44, shown_corners=(1,))
    aside = View(VIEW.rotation, VIEW.translation_mm + VIEW.rotation @ [0.0, 270.0, 0.0])
    pixels = draw_photo([(neighbour, aside), (TRAY, VIEW)], CAMERA, seed=1)
    found = _find(pixels)
    assert [pose.number for pose in found.poses] == [31]
    assert {problem.number for problem in found.problems} <= {44}


def test_the_carried_strip_counts_as_the_head_of_the_tray_it_stands_on() -> None:
    tray = replace(TRAY, carried_strip=True)
    pose = _only(_find(_drawn(tray)), 31)
    assert {tag.id for tag in pose.tags} == {186, 187, 188, 189, 580, 581}
    assert (_plane_errors(pose, VIEW, CAMERA) < 3 * _stated(pose) + 0.05).all()


def test_the_carried_strip_completes_a_tray_of_one_tag() -> None:
    tray = replace(TRAY, carried_strip=True, shown_corners=(0, 4, 5))
    pose = _only(_find(_drawn(tray)), 31)
    assert {tag.id for tag in pose.tags} == {186, 580, 581}


def test_a_carried_strip_without_a_tray_is_a_problem() -> None:
    tray = replace(TRAY, carried_strip=True, shown_corners=(4, 5))
    found = _find(_drawn(tray))
    assert found.poses == ()
    assert [problem.number for problem in found.problems] == [96]


@pytest.mark.parametrize("size", [TraySize(540.0, 250.0, 50.0), TraySize(400.0, 180.0, 50.0)])
def test_tags_that_do_not_fit_the_size_given_are_a_problem(size: TraySize) -> None:
    found = find_trays(as_photo(_drawn()), size=size, camera=CAMERA)
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


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_turning_the_photo_leaves_the_camera_where_it_is(quarters: int) -> None:
    turned = np.ascontiguousarray(np.rot90(_drawn(), quarters))
    found = _find(turned, None)
    straight = _find(_drawn(), None)
    np.testing.assert_allclose(
        _only(found, 31).camera_position_mm, _only(straight, 31).camera_position_mm, atol=4.0
    )


@given(gain=st.floats(0.15, 1.3), lift=st.floats(0.0, 30.0))
@settings(max_examples=8)
def test_brightness_leaves_the_tray_where_it_is(gain: float, lift: float) -> None:
    changed = np.clip(lift + gain * _drawn().astype(np.float64), 0, 255).astype(np.uint8)
    pose = _only(_find(changed), 31)
    assert len(pose.tags) == 6
    assert _plane_errors(pose, VIEW, CAMERA).max() < 0.7


def test_lens_distortion_is_taken_out() -> None:
    bent = replace(CAMERA, distortion=(-0.15, 0.04, 0.001, -0.001, 0.0))
    pixels = draw_photo([(TRAY, VIEW)], bent, seed=5)
    pose = _only(_find(pixels, bent), 31)
    assert (_plane_errors(pose, VIEW, bent) < 3 * _stated(pose)).all()
    assert pose.reprojection_rms_px < 0.3
    straight = _find(pixels, CAMERA).poses
    assert all(other.reprojection_rms_px > 2 * pose.reprojection_rms_px for other in straight)


def test_where_the_focal_length_comes_from_is_said() -> None:
    guessed = _only(_find(_drawn(), None), 31)
    assert guessed.doubts == (Doubt.FOCAL_LENGTH_ESTIMATED,)
    photo = as_photo(_drawn(), focal_length_px=535.0)
    recorded = _only(find_trays(photo, size=SIZE), 31)
    assert recorded.doubts == (Doubt.FOCAL_LENGTH_FROM_EXIF,)
    for pose in (guessed, recorded):
        assert pose.camera.fx == pytest.approx(521.5, rel=0.05)
        assert pose.camera.focal_relative_uncertainty < 0.03


def test_a_camera_of_another_shape_is_a_wrong_call() -> None:
    with pytest.raises(ValueError, match="aspect ratios must agree"):
        _find(_drawn(), Camera(1920, 1080, 1500.0, 1500.0, 960.0, 540.0))


def test_a_fixed_camera_keeps_the_tray_when_one_tag_is_left() -> None:
    before = _only(_find(_drawn()), 31)
    left = as_photo(_drawn(replace(TRAY, shown_corners=(4,))))
    pose = _only(find_trays(left, size=SIZE, camera=CAMERA, earlier=[before]), 31)
    assert [tag.corner for tag in pose.tags] == [4]
    assert Doubt.EARLIER_POSE in pose.doubts
    assert (_plane_errors(pose, VIEW, CAMERA) < 3 * _stated(pose)).all()
    assert _stated(pose).max() < 3.0


def test_an_earlier_pose_that_the_tags_contradict_is_not_kept() -> None:
    moved = View.looking_at((-60.0, -20.0, 600.0), (60.0, 30.0, 0.0))
    before = _only(_find(draw_photo([(TRAY, moved)], CAMERA, seed=5)), 31)
    left = as_photo(_drawn(replace(TRAY, shown_corners=(4,))))
    found = find_trays(left, size=SIZE, camera=CAMERA, earlier=[before])
    assert found.poses == ()
    assert [p.doubts for p in found.problems] == [(Doubt.ONE_TAG_ONLY,)]


def test_an_earlier_pose_of_which_nothing_is_seen_now_is_not_kept() -> None:
    before = _only(_find(_drawn()), 31)
    blank = as_photo(np.full((460, 640, 3), 90, dtype=np.uint8))
    assert find_trays(blank, size=SIZE, camera=CAMERA, earlier=[before]).poses == ()


def test_the_same_photo_gives_the_same_pose_to_the_bit() -> None:
    first, second = (_only(_find(_drawn()), 31) for _ in range(2))
    assert first.covariance.tobytes() == second.covariance.tobytes()
    assert first.translation_mm.tobytes() == second.translation_mm.tobytes()
