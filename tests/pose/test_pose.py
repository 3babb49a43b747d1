"""Poses against drawn truth: within their stated uncertainty."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

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
from trayvision.pose.fit import PoseFit, TagPoints, fit_pose
from trayvision.pose.grouping import largest_agreement
from trayvision.pose.pose import find_trays
from trayvision.pose.tray_pose import TrayPose
from trayvision.quality_flags import Doubt
from trayvision.synthetic.tray import (
    View,
    as_photo,
    draw_photo,
    tag_corners_px,
)
from trayvision.tags.reading import ReadTag


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


def _pose_of(fit: PoseFit, camera: Camera) -> TrayPose:
    spread = fit.covariance[:6, :6]
    return TrayPose(31, SIZE, camera, fit.rotation, fit.translation_mm, (), 0.1, spread)


def test_head_alone_states_how_far_the_rim_may_be_off() -> None:
    # Far from its tags the pose bends, so that only the positions are tested, not all six.
    exact = replace(CAMERA, focal_relative_uncertainty=1e-6)
    fits, _ = _noisy_fits((4, 5), exact, 0.1, 250)
    poses = [_pose_of(fit, exact) for fit in fits]
    ratio = np.array([plane_errors(pose, VIEW, CAMERA) / stated(pose) for pose in poses])
    assert 0.8 < np.sqrt((ratio**2).mean()) < 1.25
    assert (ratio < 2.45).mean() > 0.95


def test_a_pose_with_a_twin_keeps_both() -> None:
    # Two small tags in one plane: the classical mirror ambiguity of a plane seen from afar.
    small = replace(CAMERA, focal_relative_uncertainty=1e-6).scaled_to(320, 230)
    rng = np.random.default_rng(5)
    twins = held = 0
    for _ in range(40):
        eye = (rng.uniform(-250, 60), rng.uniform(-150, 150), rng.uniform(480, 900))
        view = View.looking_at(eye, (30.0, 0.0, 0.0))
        true = [view.project(small, SIZE.tag_corners_mm(corner)) for corner in (4, 5)]
        tags = [
            ReadTag(186 + corner, px + rng.normal(0, 0.3, px.shape), 0.3)
            for corner, px in zip((4, 5), true, strict=True)
        ]
        placed = largest_agreement(tags, SIZE, small)
        assert placed is not None
        twins += bool(placed.other_fits)
        poses = [_pose_of(fit, small) for fit in (placed.fit, *placed.other_fits)]
        held += min((plane_errors(pose, view, small) / stated(pose)).max() for pose in poses) < 3
    assert held >= 37
    assert 5 < twins < 35


def test_two_poses_that_fit_equally_well_are_both_kept() -> None:
    # The same two tags, read to 2 px: from the other side the camera would stand a third of a metre
    # away, and the misfit of that is a hundredth of what reading leaves open.
    small = replace(CAMERA, focal_relative_uncertainty=1e-6).scaled_to(320, 230)
    view = View.looking_at((-200.0, 120.0, 800.0), (30.0, 0.0, 0.0))
    in_mm = np.stack([SIZE.tag_corners_mm(corner) for corner in (4, 5)])
    points = TagPoints(in_mm, view.project(small, in_mm), np.full(2, 2.0))
    true, twin = fit_pose(points, small)
    np.testing.assert_allclose(true.camera_position_mm, view.camera_mm, atol=0.1)
    assert twin.cost < 0.01 * in_mm[..., :2].size
    assert np.linalg.norm(twin.camera_position_mm - true.camera_position_mm) > 300.0


def test_unknown_focal_length_comes_out_within_its_uncertainty() -> None:
    fits, _ = _noisy_fits(range(6), Camera.typical(640, 460), 0.1, 120)
    # The guess is centred and has square pixels, so it is the same within a few per cent.
    focal = np.array([fit.camera.fx for fit in fits])
    assert abs(focal.mean() / CAMERA.fx - 1) < 0.05
    own = Camera(640, 460, 480.0, 482.77, CAMERA.cx, CAMERA.cy, focal_relative_uncertainty=0.25)
    fits, _ = _noisy_fits(range(6), own, 0.1, 200)
    error = [(fit.lens[0] - np.log(520.0 / 480.0)) / fit.covariance[6, 6] ** 0.5 for fit in fits]
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
        scenes.append((only(find(pixels), tray.number), view))
    return tuple(scenes)


def test_points_of_the_tray_land_within_the_stated_uncertainty() -> None:
    ratio = np.array([plane_errors(pose, view, CAMERA) / stated(pose) for pose, view in _scenes()])
    assert 0.4 < np.sqrt((ratio**2).mean()) < 1.4
    assert (ratio < 2.45).mean() > 0.93  # 95 % of a bivariate normal, MEM: sqrt(5.99)


def test_all_tags_give_the_tray_to_a_third_of_a_millimetre() -> None:
    errors = np.array([plane_errors(pose, view, CAMERA) for pose, view in _scenes()])
    assert errors.max() < 0.35
    assert all(pose.reprojection_rms_px < 0.3 for pose, _ in _scenes())
    assert all(pose.doubts == () for pose, _ in _scenes())


def test_camera_position_and_projection_are_those_of_the_view() -> None:
    pose = only(find(drawn()), 31)
    np.testing.assert_allclose(pose.camera_position_mm, [-110.0, -70.0, 560.0], atol=1.5)
    points = np.array([[[0.0, 0.0, 0.0], [100.0, -50.0, 30.0]], [[-150.0, 90.0, 0.0]] * 2])
    np.testing.assert_allclose(pose.project(points), VIEW.project(CAMERA, points), atol=0.4)
    assert pose.position_uncertainty_mm(points).shape == (2, 2)


@pytest.mark.parametrize("shown", [(0, 1), (2, 3), (4, 5), (1, 4), (0, 2), (0, 1, 5)])
def test_two_tags_are_enough_with_the_uncertainty_that_follows(shown: tuple[int, ...]) -> None:
    pose = only(find(drawn(replace(TRAY, shown_corners=shown))), 31)
    assert sorted(tag.corner for tag in pose.tags) == sorted(shown)
    assert (plane_errors(pose, VIEW, CAMERA) < 3 * stated(pose)).all()
    one_end = len({corner in (0, 1) for corner in shown}) == 1
    assert (Doubt.FAR_END_LESS_EXACT in pose.doubts) == one_end
    assert (Doubt.NUMBER_FROM_STRIP in pose.doubts) == (shown == (4, 5))


def test_fewer_tags_never_give_less_uncertainty() -> None:
    def worst(shown: tuple[int, ...]) -> float:
        return float(stated(only(find(drawn(replace(TRAY, shown_corners=shown))), 31)).max())

    assert worst((0, 1, 2, 3, 4, 5)) < worst((0, 1, 4, 5)) < worst((0, 1))


@pytest.mark.parametrize("shown", [(0, 1, 2, 3, 4, 5), (4, 5), (2, 3)])
def test_height_of_the_camera_lies_within_its_uncertainty(shown: tuple[int, ...]) -> None:
    # Pixels are square and the lens is off the middle by less than is assumed of any camera.
    camera = Camera(640, 460, 520.0, 520.0, 317.0, 231.0)
    rng = np.random.default_rng(77)
    for known in (camera, None):
        errors = []
        for seed in range(8):
            eye = (rng.uniform(-200, 0), rng.uniform(-120, 120), rng.uniform(500, 640))
            view = View.looking_at(eye, (rng.uniform(10, 50), rng.uniform(-15, 15), 0.0))
            pixels = draw_photo([(replace(TRAY, shown_corners=shown), view)], camera, seed=seed)
            for pose in find(pixels, known).poses:
                height = pose.camera_height_mm
                assert height.value is not None and height.uncertainty is not None
                errors.append((height.value - eye[2]) / height.uncertainty)
        assert len(errors) >= 3
        assert 0.1 < np.sqrt(np.mean(np.square(errors))) < 1.4
        assert np.max(np.abs(errors)) < 2.6


def test_fewer_tags_make_the_height_of_the_camera_less_sure() -> None:
    def unsure(shown: tuple[int, ...]) -> float:
        pose = only(find(drawn(replace(TRAY, shown_corners=shown)), None), 31)
        assert pose.camera_height_mm.uncertainty is not None
        return pose.camera_height_mm.uncertainty

    assert 5 * unsure((0, 1, 2, 3, 4, 5)) < unsure((4, 5))


def test_a_camera_that_the_tags_speak_against_is_refused() -> None:
    # Head and near bar stand out; the far bar is a tag's length off where this camera has it.
    bent = replace(CAMERA, distortion=(0.6, 0.0, 0.0, 0.0, 0.0))
    for wrong in (bent, replace(CAMERA, fx=2 * CAMERA.fx, fy=2 * CAMERA.fy)):
        found = find(drawn(), wrong)
        assert found.poses == ()
        (problem,) = found.problems
        assert problem.doubts == (Doubt.TAGS_CONTRADICT,)


def test_a_photo_cut_to_one_side_still_gives_its_pose() -> None:
    # The lens's axis is then a fifth of the picture beside its middle.
    cut = np.ascontiguousarray(drawn()[:, 120:])
    pose = only(find(cut, None), 31)
    assert len(pose.tags) >= 4
    np.testing.assert_allclose(pose.camera_position_mm, [-110.0, -70.0, 560.0], atol=25.0)


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
    pixels = drawn()
    for tag in (186, 187, 188, 189):
        pixels = _blades(pixels, truth[tag], rng)
    pose = only(find(pixels), 31)
    assert {tag.corner for tag in pose.tags} >= {4, 5}
    assert len(pose.tags) >= 5
    assert (plane_errors(pose, VIEW, CAMERA) < 3.5 * stated(pose) + 0.1).all()


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_turning_the_photo_leaves_the_camera_where_it_is(quarters: int) -> None:
    turned = np.ascontiguousarray(np.rot90(drawn(), quarters))
    found = find(turned, None)
    straight = find(drawn(), None)
    np.testing.assert_allclose(
        only(found, 31).camera_position_mm, only(straight, 31).camera_position_mm, atol=4.0
    )


@given(gain=st.floats(0.15, 1.3), lift=st.floats(0.0, 30.0))
@settings(max_examples=8)
def test_brightness_leaves_the_tray_where_it_is(gain: float, lift: float) -> None:
    changed = np.clip(lift + gain * drawn().astype(np.float64), 0, 255).astype(np.uint8)
    pose = only(find(changed), 31)
    assert len(pose.tags) == 6
    assert plane_errors(pose, VIEW, CAMERA).max() < 0.7


def test_lens_distortion_is_taken_out() -> None:
    bent = replace(CAMERA, distortion=(-0.15, 0.04, 0.001, -0.001, 0.0))
    pixels = draw_photo([(TRAY, VIEW)], bent, seed=5)
    pose = only(find(pixels, bent), 31)
    assert (plane_errors(pose, VIEW, bent) < 3 * stated(pose)).all()
    assert pose.reprojection_rms_px < 0.3
    straight = find(pixels, CAMERA).poses
    assert all(other.reprojection_rms_px > 2 * pose.reprojection_rms_px for other in straight)


def test_where_the_focal_length_comes_from_is_said() -> None:
    guessed = only(find(drawn(), None), 31)
    assert guessed.doubts == (Doubt.FOCAL_LENGTH_ESTIMATED,)
    photo = as_photo(drawn(), focal_length_px=535.0)
    recorded = only(find_trays(photo, size=SIZE), 31)
    assert recorded.doubts == (Doubt.FOCAL_LENGTH_FROM_EXIF,)
    for pose in (guessed, recorded):
        assert pose.camera.fx == pytest.approx(521.5, rel=0.05)
        assert pose.camera.focal_relative_uncertainty < 0.03


def test_the_same_photo_gives_the_same_pose_to_the_bit() -> None:
    first, second = (only(find(drawn()), 31) for _ in range(2))
    assert first.covariance.tobytes() == second.covariance.tobytes()
    assert first.translation_mm.tobytes() == second.translation_mm.tobytes()


@pytest.mark.parametrize("corners", [(2, 3, 4, 5), (2, 4), (3, 4, 5), (2, 3, 5)])
def test_tags_that_no_plain_lens_shows_so_end_in_no_overflow(corners: tuple[int, ...]) -> None:
    # Strong barrel distortion, fitted without it: steps ran away until a focal length was NaN.
    for strength in (-0.2, -0.3):
        for eye in ((-500.0, 0.0, 350.0), (-200.0, -150.0, 450.0), (0.0, 0.0, 300.0)):
            wide = Camera(640, 460, 480.0, 480.0, 319.5, 229.5, (strength, 0.0, 0.0, 0.0, 0.0))
            places = np.stack([SIZE.tag_corners_mm(corner) for corner in corners])
            seen = View.looking_at(eye, (40.0, 10.0, 0.0)).project(wide, places)
            points = TagPoints(places, seen, np.full(len(corners), 0.05))
            for fit in fit_pose(points, Camera.typical(640, 460)):
                assert np.isfinite(fit.state).all()
                assert np.isfinite(fit.cost)
