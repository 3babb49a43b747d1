"""Blur of known size, on analytic edges and drawn trays, and what a photo could have shown."""

from dataclasses import replace
from math import sqrt

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from trayvision.camera.camera import Camera
from trayvision.colorimetry import LINEAR_OF_LEVEL, linear_to_srgb
from trayvision.light.edge_profile import edge_profiles, fit_steps, normal_cdf
from trayvision.light.sharpness import RISE_PER_SIGMA, measure_sharpness
from trayvision.photo.photo import Photo
from trayvision.pose.tray_pose import TrayPose
from trayvision.quality_flags import Doubt
from trayvision.synthetic.tray import DrawnTray, View, as_photo, draw_photo, tag_corners_px
from trayvision.tags.reading import ReadTag

FloatArray = npt.NDArray[np.float64]

TRAY = DrawnTray(5)
CAMERA = Camera(820, 610, 560.0, 560.0, 421.0, 297.0)
VIEW = View.looking_at((-60.0, 30.0, 420.0), (6.0, -7.0, 0.0))


def pose_of(view: View = VIEW, camera: Camera = CAMERA) -> TrayPose:
    tags = tuple(
        ReadTag(number, corners, 0.1)
        for number, corners in tag_corners_px(TRAY, view, camera).items()
    )
    return TrayPose(
        number=TRAY.number,
        size=TRAY.size,
        camera=camera,
        rotation=view.rotation,
        translation_mm=view.translation_mm,
        tags=tags,
        reprojection_rms_px=0.1,
        covariance=np.zeros((6, 6)),
    )


POSE = pose_of()
SHARP = LINEAR_OF_LEVEL[draw_photo([(TRAY, VIEW)], CAMERA, blur_px=0.0, noise=0.0)]


def photographed(
    blur_px: float | tuple[float, float],
    *,
    exposure: float = 0.8,
    veil: float = 0.0,
    noise: float = 1.0,
    seed: int = 0,
) -> Photo:
    across, down = blur_px if isinstance(blur_px, tuple) else (blur_px, blur_px)
    light = cv2.GaussianBlur(SHARP * exposure + veil, (0, 0), across, sigmaY=down)
    levels = 255 * linear_to_srgb(np.asarray(light, dtype=np.float64))
    levels += np.random.default_rng(seed).normal(0, noise, levels.shape)
    return as_photo(np.clip(np.rint(levels), 0, 255).astype(np.uint8))


def turned_square(
    sigma_px: float, *, turn_deg: float, white: float = 0.7
) -> tuple[Photo, FloatArray]:
    """A dark square on white whose edges are exact Gaussian steps, and its corners."""
    centre, half, turn = np.array([93.3, 71.8]), 34.0, np.radians(turn_deg)
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    x, y = np.meshgrid(np.arange(190), np.arange(146))
    local = (np.stack([x, y], axis=-1) - centre) @ axes.T
    distance = abs(local).max(axis=-1) - half
    linear = 0.04 + (white - 0.04) * ndtr(distance / sigma_px)
    levels = np.rint(255 * linear_to_srgb(linear)).astype(np.uint8)
    corners = centre + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) @ axes
    return as_photo(np.repeat(levels[..., None], 3, axis=2)), corners


# scipy.special.ndtr is the reference for the normal distribution function.
def test_normal_distribution_function() -> None:
    z = np.linspace(-7, 7, 701)
    np.testing.assert_allclose(normal_cdf(z), ndtr(z), atol=1e-7)


# ISO 12233's slanted edge with a blur of known size: recovered to 5 %.
@settings(max_examples=40)
@given(st.floats(0.5, 2.2), st.floats(3.0, 42.0))
def test_blur_of_a_slanted_edge_is_recovered(sigma: float, turn: float) -> None:
    photo, corners = turned_square(sigma, turn_deg=turn)
    fits = fit_steps(edge_profiles(photo, corners[None]))
    np.testing.assert_allclose(fits.sigma_px, sigma, rtol=0.05)
    np.testing.assert_allclose(fits.shift_px, 0, atol=0.03)
    np.testing.assert_allclose(fits.white, 0.7, rtol=0.02)
    np.testing.assert_allclose(fits.black, 0.04, atol=0.006)


@pytest.mark.parametrize("white", [1.2, 1.6, 2.2])
@pytest.mark.parametrize("sigma", [0.7, 1.2])
def test_step_beyond_the_range_is_told_from_its_foot(white: float, sigma: float) -> None:
    photo, corners = turned_square(sigma, turn_deg=11.0, white=white)
    assert photo.pixels.max() == 255
    fits = fit_steps(edge_profiles(photo, corners[None]), shift_known=True)
    np.testing.assert_allclose(fits.white, white, rtol=0.05)
    np.testing.assert_allclose(fits.sigma_px, sigma, rtol=0.05)


def test_shifted_corners_shift_the_step_only() -> None:
    photo, corners = turned_square(0.9, turn_deg=17.0)
    outward = corners - corners.mean(axis=0)
    fits = fit_steps(edge_profiles(photo, corners[None] + 0.8 / 34.0 * outward))
    np.testing.assert_allclose(fits.shift_px, -0.8, atol=0.05)
    np.testing.assert_allclose(fits.sigma_px, 0.9, rtol=0.05)


def test_no_step_gives_nan() -> None:
    flat = as_photo(np.full((146, 190, 3), 120, np.uint8))
    _, corners = turned_square(0.9, turn_deg=17.0)
    fits = fit_steps(edge_profiles(flat, corners[None]))
    assert np.isnan(fits.sigma_px).all()
    outside = fit_steps(edge_profiles(flat, corners[None] + 4000.0))
    assert np.isnan(outside.sigma_px).all()


@pytest.mark.parametrize("blur", [0.7, 0.9, 1.3, 2.0])
def test_blur_of_a_drawn_tray_is_recovered(blur: float) -> None:
    found = measure_sharpness(photographed(blur), POSE)
    # The drawn pixel averages its own width: a variance of 1/12 px^2 on top of the lens.
    truth = RISE_PER_SIGMA * sqrt(blur**2 + 1 / 12)
    assert found.edge_spread_px.value == pytest.approx(truth, rel=0.08)
    assert (Doubt.BLURRED in found.doubts) == (blur == 2.0)


def test_overexposed_edges_still_tell_the_blur() -> None:
    photo = photographed(0.8, exposure=1.9)
    found = measure_sharpness(photo, POSE)
    truth = RISE_PER_SIGMA * sqrt(0.8**2 + 1 / 12)
    assert found.edge_spread_px.value == pytest.approx(truth, rel=0.15)
    sharp = measure_sharpness(photographed(0.8), POSE)
    assert found.edge_spread_px.uncertainty is not None
    assert sharp.edge_spread_px.uncertainty is not None
    assert found.edge_spread_px.uncertainty > 2 * sharp.edge_spread_px.uncertainty


def test_stated_uncertainty_holds_the_truth() -> None:
    rng = np.random.default_rng(4)
    z = []
    for seed in range(40):
        blur = float(rng.uniform(0.5, 1.8))
        photo = photographed(blur, exposure=float(rng.uniform(0.3, 1.0)), noise=3.0, seed=seed)
        spread = measure_sharpness(photo, POSE).edge_spread_px
        assert spread.value is not None
        assert spread.uncertainty is not None
        z.append((spread.value - RISE_PER_SIGMA * sqrt(blur**2 + 1 / 12)) / spread.uncertainty)
    assert 0.3 < np.sqrt(np.mean(np.square(z))) < 1.3
    assert np.mean(np.abs(z) < 2) >= 0.9


def test_hand_shake_counts_in_its_own_direction() -> None:
    still = measure_sharpness(photographed(0.7), POSE).edge_spread_px.value
    shaken = measure_sharpness(photographed((2.5, 0.7)), POSE).edge_spread_px.value
    assert still is not None
    assert shaken is not None
    assert shaken == pytest.approx(RISE_PER_SIGMA * sqrt(2.5**2 + 1 / 12), rel=0.12)
    assert shaken > 2.5 * still


def test_blur_and_fog_are_told_apart() -> None:
    blurred = measure_sharpness(photographed(3.2), POSE)
    assert blurred.doubts == (Doubt.BLURRED,)
    assert blurred.haze < 0.05
    fogged = measure_sharpness(photographed(0.8, exposure=0.6, veil=0.12), POSE)
    assert fogged.doubts == (Doubt.FOGGED,)
    # Drawn ink reflects 1.7 % of white, and 5 % is allowed for.
    assert fogged.haze == pytest.approx(0.12 / (0.6 * 0.753 + 0.12) - 0.03, abs=0.03)
    glossy = SHARP.copy()
    glossy[:, : glossy.shape[1] // 2] += 0.15
    levels = np.rint(255 * linear_to_srgb(0.7 * glossy)).astype(np.uint8)
    assert measure_sharpness(as_photo(levels), POSE).doubts == ()


def test_scale_in_mm() -> None:
    found = measure_sharpness(photographed(0.8), POSE)
    floor = np.array([[-1.0, 0, -50], [1, 0, -50], [0, -1, -50], [0, 1, -50]])
    at = POSE.project(floor)
    across = np.linalg.norm(at[1] - at[0]) * np.linalg.norm(at[3] - at[2]) / 4
    assert found.mm_per_px == pytest.approx(1 / sqrt(across), rel=0.05)
    assert found.edge_spread_px.value is not None
    # At the tags, 30 mm to an edge.
    edges = [np.linalg.norm(np.diff(tag.corners_px, axis=0), axis=1).mean() for tag in POSE.tags]
    expected = found.edge_spread_px.value * 30 / float(np.median(edges))
    assert found.edge_spread_mm.value == pytest.approx(expected, rel=0.05)


def test_smallest_patch_grows_with_blur_and_noise_and_is_16_px() -> None:
    clear = measure_sharpness(photographed(0.5, noise=0.5), POSE)
    assert clear.smallest_patch_mm.value is not None
    assert clear.smallest_patch_mm.value > 16 * clear.mm_per_px
    assert clear.smallest_patch_mm.value < 22 * clear.mm_per_px
    for worse, factor in (
        (photographed(2.2, noise=0.5), 1.25),
        (photographed(0.5, exposure=0.1, noise=6.0), 1.02),
    ):
        patch = measure_sharpness(worse, POSE).smallest_patch_mm.value
        assert patch is not None
        assert patch > factor * clear.smallest_patch_mm.value


def test_far_camera_is_too_coarse() -> None:
    view = View.looking_at((-30.0, 20.0, 1150.0), (0.0, 0.0, 0.0))
    camera = replace(CAMERA, fx=600.0, fy=600.0)
    photo = as_photo(draw_photo([(TRAY, view)], camera))
    assert Doubt.TOO_COARSE in measure_sharpness(photo, pose_of(view, camera)).doubts


def test_pixels_are_those_of_the_full_photo() -> None:
    pixels = photographed(0.9).pixels
    half = Photo("half", "", pixels, 2 * CAMERA.width, 2 * CAMERA.height, None, None, (), 2)
    tags = tuple(replace(tag, corners_px=half.to_full(tag.corners_px)) for tag in POSE.tags)
    camera = Camera(1640, 1220, 1120.0, 1120.0, 842.5, 594.5)
    doubled = measure_sharpness(half, replace(POSE, tags=tags, camera=camera))
    plain = measure_sharpness(photographed(0.9), POSE)
    assert plain.edge_spread_px.value is not None
    assert doubled.edge_spread_px.value == pytest.approx(2 * plain.edge_spread_px.value, rel=0.02)
    assert doubled.edge_spread_mm.value == pytest.approx(plain.edge_spread_mm.value, rel=0.02)
    assert doubled.mm_per_px == pytest.approx(plain.mm_per_px / 2, rel=0.01)


def test_unknown_without_tags_or_edges() -> None:
    blank = as_photo(np.full((CAMERA.height, CAMERA.width, 3), 130, np.uint8))
    burnt = as_photo(np.full((CAMERA.height, CAMERA.width, 3), 255, np.uint8))
    untagged = measure_sharpness(blank, replace(POSE, tags=()))
    for found, reason in (
        (untagged, Doubt.NO_TAGS),
        (measure_sharpness(blank, POSE), Doubt.NO_WHITE),
        (measure_sharpness(burnt, POSE), Doubt.CLIPPED),
    ):
        assert found.edge_spread_px.value is None
        assert found.smallest_patch_mm.reason == reason
        assert np.isnan(found.noise)
