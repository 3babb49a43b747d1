"""Light read from the kit's white: drawn scenes under known lights, and a published chart."""

from dataclasses import replace

import colour
import cv2
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.color import deltaE_ciede2000

from trayvision.camera.camera import Camera
from trayvision.colorimetry import (
    LINEAR_OF_LEVEL,
    distance_from_white_locus,
    linear_to_lab,
    linear_to_srgb,
    srgb_to_linear,
)
from trayvision.light.colour_correction import WHITE_TARGET, Light, correct_colours, measure_light
from trayvision.photo.photo import Photo
from trayvision.pose.tray_pose import TrayPose
from trayvision.quality_flags import Doubt
from trayvision.synthetic.tray import DrawnTray, View, as_photo, draw_photo, tag_corners_px
from trayvision.tags.reading import ReadTag

FloatArray = npt.NDArray[np.float64]
FloatImage = npt.NDArray[np.float32]

CAMERA = Camera(760, 570, 480.0, 480.0, 391.0, 278.0)
VIEW = View.looking_at((-70.0, 35.0, 430.0), (5.0, -8.0, 0.0))
TRAY = DrawnTray(17)
EVEN = np.zeros((6, 3))


POSE = TrayPose(
    number=TRAY.number,
    size=TRAY.size,
    camera=CAMERA,
    rotation=VIEW.rotation,
    translation_mm=VIEW.translation_mm,
    tags=tuple(
        ReadTag(number, corners, 0.1)
        for number, corners in tag_corners_px(TRAY, VIEW, CAMERA).items()
    ),
    reprojection_rms_px=0.1,
    covariance=np.zeros((6, 6)),
)
# Linear RGB of the sharp, noiseless scene.
SCENE = LINEAR_OF_LEVEL.astype(np.float32)[
    draw_photo([(TRAY, VIEW)], CAMERA, blur_px=0.0, noise=0.0)
]


def plane_coordinates() -> FloatArray:
    """(h, w, 2) u, v of the tray where each pixel's sight line meets the rim plane."""
    x, y = np.meshgrid(np.arange(CAMERA.width), np.arange(CAMERA.height))
    rays = np.stack(
        [(x - CAMERA.cx) / CAMERA.fx, (y - CAMERA.cy) / CAMERA.fy, np.ones(x.shape)], axis=-1
    )
    direction = rays @ VIEW.rotation
    camera = VIEW.camera_mm
    hit = camera - (camera[2] / direction[..., 2])[..., None] * direction
    half = np.array([TRAY.size.length_mm, TRAY.size.width_mm]) / 2
    return np.asarray(hit[..., :2] / half)


def field_terms(u: FloatArray, v: FloatArray) -> FloatArray:
    """(..., 6) what a field's coefficients stand at."""
    return np.stack([np.ones_like(u), u, v, u * v, u * u, v * v], axis=-1)


TERMS = field_terms(*np.moveaxis(plane_coordinates(), -1, 0)).astype(np.float32)


def photographed(
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0),
    *,
    scene: FloatImage = SCENE,
    field: FloatArray = EVEN,
    veil: float = 0.0,
    seed: int = 0,
) -> Photo:
    """The scene under a light, through a lens that blurs by 0.7 px, with noise, as 8-bit sRGB."""
    of_lamp = np.array(gains, dtype=np.float32)
    light = scene * of_lamp
    if field.any():
        light *= np.exp(np.clip(TERMS @ field.astype(np.float32), -1.5, 1.5))
    blurred = np.asarray(cv2.GaussianBlur(light + veil * of_lamp, (0, 0), 0.7), np.float32)
    levels = 255 * linear_to_srgb(blurred)
    levels += np.random.default_rng(seed).normal(0, 1.5, levels.shape)
    return as_photo(np.clip(np.rint(levels), 0, 255).astype(np.uint8))


def bed_lab(photo: Photo, light: Light) -> FloatArray:
    """CIELAB of the drawn bed in the middle of the tray, after correction."""
    at = np.rint(POSE.project(np.array([0.0, 0.0, -30.0]))).astype(int)
    corrected = correct_colours(photo.pixels, light)
    patch = corrected[at[1] - 12 : at[1] + 13, at[0] - 20 : at[0] + 21].reshape(-1, 3)
    return linear_to_lab(LINEAR_OF_LEVEL[patch].mean(axis=0))


TRUE_BED = linear_to_lab(LINEAR_OF_LEVEL[np.array(TRAY.bed)])


# The drawn white is sRGB 225, the target itself: corrected colours are the drawn ones.
@settings(max_examples=25)
@given(st.floats(0.75, 1.3), st.floats(0.6, 1.3), st.floats(0.35, 0.95))
def test_correction_undoes_any_white_light(red: float, blue: float, exposure: float) -> None:
    photo = photographed((exposure * red, exposure, exposure * blue))
    light = measure_light(photo, POSE)
    assert deltaE_ciede2000(bed_lab(photo, light), TRUE_BED) < 1.0
    expected = np.array([red, 1.0, blue]) * exposure * WHITE_TARGET
    np.testing.assert_allclose(light.white_linear, expected, rtol=0.03)
    assert light.white_seen
    assert light.seen_white_px > 200


# colour-science's ColorChecker24 (after November 2014), CIE D50, adapted to sRGB's D65; its
# published 8-bit sRGB values are white 241, 242, 236 and foliage 91, 108, 65.
def chart_srgb() -> FloatArray:
    chart = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    xyz = colour.xyY_to_XYZ(np.array(list(chart.data.values())))
    srgb = colour.XYZ_to_sRGB(xyz, chart.illuminant)
    return np.asarray(np.clip(srgb, 0, 1), dtype=np.float64)


def test_chart_has_its_published_srgb_values() -> None:
    levels = np.rint(255 * chart_srgb())
    np.testing.assert_allclose(levels[18], [241, 242, 236], atol=1)
    np.testing.assert_allclose(levels[3], [91, 108, 65], atol=1)


@pytest.mark.parametrize("gains", [(0.95, 0.8, 0.5), (0.55, 0.7, 0.8), (0.6, 0.6, 0.6)])
def test_colour_cast_on_the_published_chart_is_undone(gains: tuple[float, float, float]) -> None:
    chart = chart_srgb() * 0.93  # the lightest patch stays within the range under every cast
    scene = SCENE.copy()
    places = np.array([[x, y, -30.0] for y in (60, 20, -20, -60) for x in range(-125, 126, 50)])
    for place, patch in zip(places, chart, strict=True):
        square = place + 18 * np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]])
        outline = np.rint(POSE.project(square)).astype(np.int32)
        cv2.fillConvexPoly(scene, outline, srgb_to_linear(patch).tolist())
    photo = photographed(gains, scene=scene)
    corrected = correct_colours(photo.pixels, measure_light(photo, POSE))
    differences = []
    for place, patch in zip(places, chart, strict=True):
        x, y = np.rint(POSE.project(place)).astype(int)
        found = LINEAR_OF_LEVEL[corrected[y - 6 : y + 7, x - 6 : x + 7]].mean(axis=(0, 1))
        truth = linear_to_lab(srgb_to_linear(patch))
        differences.append(float(deltaE_ciede2000(linear_to_lab(found), truth)))
    assert np.mean(differences) < 1.0


def test_unevenness_is_recovered() -> None:
    field = EVEN.copy()
    field[1], field[2], field[3] = 0.25, -0.15, 0.06
    light = measure_light(photographed((0.6, 0.6, 0.6), field=field), POSE)
    half = np.array([TRAY.size.length_mm, TRAY.size.width_mm]) / 2
    for u, v in [(-1, -1), (-1, 1), (1, -1), (1, 1), (1, 0)]:
        truth = np.exp(0.25 * u - 0.15 * v + 0.06 * u * v)
        np.testing.assert_allclose(light.illumination_at(np.array([u, v]) * half), truth, rtol=0.06)
    assert light.unevenness.value == pytest.approx(0.8, abs=0.15)


def _drawn_field(rng: np.random.Generator) -> FloatArray:
    """A field of the stated variety, under a lamp of some colour at one end."""
    level = rng.normal(0, [0, 0.25, 0.2, 0.08, 0.12, 0.08])
    chroma = rng.normal(0, 1, (6, 3)) * np.array([[0], [0.03], [0.03], [0.01], [0.01], [0.01]])
    return np.asarray(level[:, None] + chroma)


def test_stated_uncertainty_is_the_real_error() -> None:
    rng = np.random.default_rng(7)
    level_z, chroma_z = [], []
    for seed in range(50):
        field = _drawn_field(rng)
        # The paper of a kit has a white of its own.
        paper = np.exp(rng.normal(0, 0.05) + rng.normal(0, 0.01, 3))
        scene = SCENE * paper.astype(np.float32)
        light = measure_light(photographed((0.5,) * 3, scene=scene, field=field, seed=seed), POSE)
        error = np.log(light.white_linear / (0.5 * WHITE_TARGET))
        level_z.append(error[1] / light.level_uncertainty)
        chroma_z.extend((error[[0, 2]] - error[1]) / light.chroma_uncertainty)
    for z in (np.array(level_z), np.array(chroma_z)):
        assert 0.6 < np.sqrt(np.mean(z**2)) < 1.4
        assert np.mean(abs(z) < 2) >= 0.88


def _luminance(coefficients: FloatArray) -> FloatArray:
    """Luminance of light with these terms over 21 by 21 points of the opening."""
    across = np.linspace(-1, 1, 21)
    terms = field_terms(*np.meshgrid(across, across))
    # ITU-R BT.709, the weights of sRGB's primaries.
    return np.asarray(np.exp(terms @ coefficients) @ [0.2126, 0.7152, 0.0722])


def test_stated_uncertainty_of_the_light_is_the_real_error() -> None:
    rng = np.random.default_rng(11)
    point_z: list[float] = []
    duv_z, uneven_z = [], []
    for seed in range(60):
        field = _drawn_field(rng)
        gains = np.exp(rng.normal(0, 0.15, 3)) / 2
        paper = np.exp(rng.normal(0, 0.05) + rng.normal(0, 0.01, 3))
        photo = photographed(
            tuple(gains), scene=SCENE * paper.astype(np.float32), field=field, seed=seed
        )
        light = measure_light(photo, POSE)
        # The lamp's own chromaticity, by an independent library.
        true = colour.XYZ_to_xy(colour.models.RGB_COLOURSPACE_sRGB.matrix_RGB_to_XYZ @ gains)
        assert light.white_point_xy is not None and light.white_point_uncertainty_xy is not None
        error = np.array(light.white_point_xy) - true
        point_z.extend(error / light.white_point_uncertainty_xy)
        duv_z.append(
            (light.duv - distance_from_white_locus((true[0], true[1]))) / light.duv_uncertainty
        )
        there = _luminance(field)
        assert light.unevenness.value is not None and light.unevenness.uncertainty is not None
        error = light.unevenness.value - np.ptp(there) / there.mean()
        uneven_z.append(error / light.unevenness.uncertainty)
    for z in (np.array(point_z), np.array(duv_z), np.array(uneven_z)):
        assert 0.6 < np.sqrt(np.mean(z**2)) < 1.4
        assert np.mean(abs(z) < 1.96) >= 0.88


def test_unevenness_of_even_light_is_none_within_its_uncertainty() -> None:
    found = [measure_light(photographed((0.5,) * 3, seed=s), POSE).unevenness for s in range(20)]
    values = [one.value for one in found if one.value is not None]
    uncertainties = [one.uncertainty for one in found if one.uncertainty is not None]
    assert max(values) < 1.96 * min(uncertainties)
    assert max(uncertainties) < 0.2


@pytest.mark.parametrize("exposure", [1.5, 1.8, 2.2])
def test_clipped_white_is_told_from_its_blurred_edges(exposure: float) -> None:
    photo = photographed((1.1 * exposure, exposure, 0.9 * exposure))
    assert photo.pixels[SCENE.min(axis=2) > 0.7].min(axis=1).mean() > 250
    light = measure_light(photo, POSE)
    assert Doubt.CLIPPED in light.doubts
    assert light.clipped_share > 0.9
    expected = np.array([1.1, 1.0, 0.9]) * exposure * WHITE_TARGET
    errors = np.log(light.white_linear / expected)
    assert abs(errors[1]) < 2 * light.level_uncertainty
    assert abs(errors[1]) < 0.2
    assert abs(errors - errors[1]).max() < 2 * light.chroma_uncertainty
    assert deltaE_ciede2000(bed_lab(photo, light), TRUE_BED) < 6


def test_what_hangs_over_the_bars_is_no_white() -> None:
    scene = SCENE.copy()
    rng = np.random.default_rng(3)
    for side in (-1, 1):
        for y in np.arange(-120, 121, 9.0):
            start = np.array([side * 190.0, y + rng.uniform(-6, 6), 0.0])
            end = start + [side * rng.uniform(10, 45), rng.uniform(-12, 12), 0.0]
            line = np.rint(POSE.project(np.stack([start, end]))).astype(int)
            cv2.line(scene, line[0].tolist(), line[1].tolist(), (0.04, 0.15, 0.02), 5)
    light = measure_light(photographed((0.8, 0.75, 0.7), scene=scene), POSE)
    expected = np.array([0.8, 0.75, 0.7]) * WHITE_TARGET
    np.testing.assert_allclose(light.white_linear, expected, rtol=0.06)


# Planckian radiators from colour-science, as seen by an sRGB camera balanced for daylight or
# half balanced for the lamp.
@pytest.mark.parametrize("kelvin", [2700, 3500, 5000, 6500, 9000])
@pytest.mark.parametrize("balance", [0.0, 0.5])
def test_warm_and_cool_whites_are_no_coloured_light(kelvin: float, balance: float) -> None:
    xy = colour.temperature.CCT_to_xy_Kang2002(kelvin)
    white = np.asarray(colour.XYZ_to_sRGB(colour.xy_to_XYZ(xy), apply_cctf_encoding=False))
    gains = (white / white.max()) ** (1 - balance)
    photo = photographed(tuple(gains))
    light = measure_light(photo, POSE)
    assert not light.coloured
    assert Doubt.MIXED_LIGHT not in light.doubts
    assert deltaE_ciede2000(bed_lab(photo, light), TRUE_BED) < 3


@pytest.mark.parametrize("gains", [(1.2, 0.55, 1.2), (0.9, 0.35, 0.7), (0.5, 0.9, 0.5)])
def test_pink_purple_and_green_lights_are_coloured(gains: tuple[float, float, float]) -> None:
    light = measure_light(photographed(gains), POSE)
    assert light.coloured
    assert abs(light.duv) > 0.02
    assert np.sign(light.duv) == np.sign(gains[1] - gains[0])


def test_lights_of_different_colour_at_the_ends_are_mixed() -> None:
    field = EVEN.copy()
    field[1] = [0.12, 0.0, -0.15]
    light = measure_light(photographed((0.7, 0.7, 0.7), field=field), POSE)
    assert Doubt.MIXED_LIGHT in light.doubts
    assert Doubt.MIXED_LIGHT not in measure_light(photographed((0.7, 0.7, 0.7)), POSE).doubts


def test_very_uneven_and_dim_light_is_said() -> None:
    field = EVEN.copy()
    field[1] = 0.7
    assert Doubt.UNEVEN_LIGHT in measure_light(photographed((0.5,) * 3, field=field), POSE).doubts
    dim = measure_light(photographed((0.15, 0.15, 0.15)), POSE)
    assert Doubt.DIM in dim.doubts
    assert measure_light(photographed((0.8, 0.8, 0.8)), POSE).doubts == ()


def test_a_veil_is_taken_off() -> None:
    photo = photographed((0.6, 0.55, 0.5), veil=0.15)
    light = measure_light(photo, POSE)
    # The drawn ink reflects 1.7 % of the white, and 5 % is allowed for: less is subtracted.
    assert light.black[1] / light.white_linear[1] == pytest.approx(0.13, abs=0.03)
    assert deltaE_ciede2000(bed_lab(photo, light), TRUE_BED) < 4.0
    plain = replace(light, black=np.zeros(3), gains=WHITE_TARGET / light.white_linear)
    assert deltaE_ciede2000(bed_lab(photo, plain), TRUE_BED) > 6.0


def test_head_alone_gives_colour_with_a_wider_level() -> None:
    head = replace(POSE, tags=tuple(tag for tag in POSE.tags if tag.id % 6 > 3))
    scene = SCENE.copy()
    for side in (-1, 1):
        bar = np.array([[200.0, -125, 0], [240, -125, 0], [240, 125, 0], [200, 125, 0]])
        outline = np.rint(POSE.project(bar * [side, 1, 1])).astype(np.int32)
        cv2.fillConvexPoly(scene, outline, (0.05, 0.2, 0.03))
    head_outline = np.rint(POSE.project(plate())).astype(np.int32)
    shown = np.zeros(scene.shape[:2], np.uint8)
    cv2.fillConvexPoly(shown, head_outline, 1)
    scene[shown == 1] = SCENE[shown == 1]
    light = measure_light(photographed((0.9, 0.8, 0.6), scene=scene), head)
    assert light.white_seen
    full = measure_light(photographed((0.9, 0.8, 0.6)), POSE)
    assert light.level_uncertainty > 1.8 * full.level_uncertainty
    np.testing.assert_allclose(light.white_linear / light.white_linear[1], [1.125, 1, 0.75], 0.04)


def plate() -> FloatArray:
    rise = 40 / np.sqrt(2)
    return np.array(
        [
            [200, -50, 180],
            [200, 50, 180],
            [200 + rise, 50, 180 + rise],
            [200 + rise, -50, 180 + rise],
        ]
    )


def test_without_kit_or_tags_nothing_is_corrected() -> None:
    photo = photographed((0.7, 0.7, 0.7))
    for pose in (None, replace(POSE, tags=())):
        light = measure_light(photo, pose)
        assert light.doubts == (Doubt.NO_WHITE,)
        assert light.white_point_xy is None
        assert light.chroma_uncertainty > 0.1
        np.testing.assert_array_equal(correct_colours(photo.pixels, light), photo.pixels)


def test_greyscale_is_passed_on() -> None:
    photo = replace(photographed(), doubts=(Doubt.GREYSCALE, Doubt.CAPTURE_TIME_UNKNOWN))
    assert measure_light(photo, POSE).doubts == (Doubt.GREYSCALE,)
