"""Colour of the shoots: the same tray under different lights, and when there is no telling."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from trayvision.camera.camera import Camera
from trayvision.colorimetry import LINEAR_OF_LEVEL, linear_to_srgb
from trayvision.light.colour_correction import Light, correct_colours, measure_light
from trayvision.measurement import Measurement
from trayvision.measures.canopy_colour import CanopyColour, measure_colour
from trayvision.pose.tray_pose import TrayPose
from trayvision.quality_flags import Doubt
from trayvision.synthetic.tray import DrawnTray, View, as_photo, draw_photo, tag_corners_px
from trayvision.tags.reading import ReadTag

FloatArray = npt.NDArray[np.float64]
Pixels = npt.NDArray[np.uint8]

TRAY = DrawnTray(8, cover=0.6, canopy_height_mm=48.0)
CAMERA = Camera(760, 570, 480.0, 480.0, 391.0, 278.0)
VIEW = View.looking_at((-70.0, 35.0, 430.0), (5.0, -8.0, 0.0))
SCENE = LINEAR_OF_LEVEL[draw_photo([(TRAY, VIEW)], CAMERA, blur_px=0.6, noise=0.0)]
GREEN = np.array(TRAY.green)


def pose() -> TrayPose:
    tags = tuple(
        ReadTag(number, corners, 0.1)
        for number, corners in tag_corners_px(TRAY, VIEW, CAMERA).items()
    )
    return TrayPose(
        number=TRAY.number,
        size=TRAY.size,
        camera=CAMERA,
        rotation=VIEW.rotation,
        translation_mm=VIEW.translation_mm,
        tags=tags,
        reprojection_rms_px=0.1,
        covariance=np.zeros((6, 6)),
    )


def seen_under(gains: tuple[float, float, float], seed: int = 0) -> tuple[Pixels, Light]:
    """Corrected pixels of the drawn tray under a light, and that light as it was measured."""
    levels = 255 * linear_to_srgb(SCENE * np.array(gains))
    levels += np.random.default_rng(seed).normal(0, 2.0, levels.shape)
    photo = as_photo(np.clip(np.rint(levels), 0, 255).astype(np.uint8))
    light = measure_light(photo, pose())
    return correct_colours(photo.pixels, light), light


def lamp(rng: np.random.Generator) -> tuple[float, float, float]:
    """Gains of a white light, from warm to cool, dim to bright."""
    warmth, exposure = rng.uniform(-0.4, 0.3), rng.uniform(0.4, 0.9)
    return exposure * np.exp(-0.5 * warmth), exposure, exposure * np.exp(warmth)


SHOOTS = (abs(SCENE - LINEAR_OF_LEVEL[GREEN]).max(axis=2) < 0.01).astype(np.float32)
DAYLIGHT = seen_under((0.8, 0.8, 0.8))


def lab(colour: CanopyColour) -> FloatArray:
    return np.array([colour.lightness.value, colour.a.value, colour.b.value], dtype=np.float64)


def number(measurement: Measurement) -> tuple[float, float]:
    assert measurement.value is not None
    assert measurement.uncertainty is not None
    return measurement.value, measurement.uncertainty


def speckled(colours: list[tuple[int, int, int]], shares: list[float]) -> Pixels:
    """A field of pixels drawn from some colours."""
    rng = np.random.default_rng(2)
    chosen = rng.choice(len(colours), size=(90, 140), p=shares)
    return np.array(colours, dtype=np.uint8)[chosen]


# skimage's CIELAB of the drawn green, sRGB 70 130 40.
def test_colour_is_the_drawn_one() -> None:
    found = measure_colour(DAYLIGHT[0], SHOOTS, DAYLIGHT[1])
    truth = rgb2lab(GREEN / 255.0)
    assert deltaE_ciede2000(lab(found), truth) < 1.0
    assert number(found.chroma)[0] == pytest.approx(float(np.hypot(*truth[1:])), rel=0.04)
    hue = float(np.degrees(np.arctan2(truth[2], truth[1])))
    assert number(found.hue_angle_deg)[0] == pytest.approx(hue, abs=1.5)
    # Karcher & Richardson's index of sRGB 70 130 40: hue 100, saturation 9/13, brightness 130/255.
    index = ((100 - 60) / 60 + (1 - 9 / 13) + (1 - 130 / 255)) / 3
    assert number(found.dark_green_colour_index)[0] == pytest.approx(index, abs=0.02)
    assert number(found.yellow_share)[0] < 0.01


# measures.md's goal: the same tray under different white lights within a CIEDE2000 of 3.
@pytest.mark.parametrize(
    "gains", [(0.95, 0.75, 0.45), (0.9, 0.8, 0.6), (0.6, 0.75, 0.9), (0.3, 0.3, 0.33)]
)
def test_same_tray_under_different_white_lights(gains: tuple[float, float, float]) -> None:
    reference = measure_colour(DAYLIGHT[0], SHOOTS, DAYLIGHT[1])
    pixels, light = seen_under(gains, seed=5)
    found = measure_colour(pixels, SHOOTS, light)
    assert deltaE_ciede2000(lab(found), lab(reference)) < 3.0


def test_stated_uncertainty_holds_the_truth() -> None:
    rng = np.random.default_rng(11)
    truth = rgb2lab(GREEN / 255.0)
    z = []
    for seed in range(25):
        pixels, light = seen_under(lamp(rng), seed)
        # A light whose white was read wrong by just what it says.
        wrong = light.level_uncertainty * rng.normal() + light.chroma_uncertainty * np.array(
            [rng.normal(), 0.0, rng.normal()]
        )
        read = replace(light, gains=light.gains * np.exp(wrong))
        shifted = np.rint(255 * linear_to_srgb(LINEAR_OF_LEVEL[pixels] * np.exp(wrong))).astype(
            np.uint8
        )
        found = measure_colour(shifted, SHOOTS, read)
        for value, exact in zip((found.lightness, found.a, found.b), truth, strict=True):
            z.append((number(value)[0] - exact) / number(value)[1])
    assert 0.7 < np.sqrt(np.mean(np.square(z))) < 1.3
    assert np.mean(np.abs(z) < 2) >= 0.9


def test_colour_of_a_patchy_tray_is_as_sure_as_the_mean_of_its_nine_parts() -> None:
    # Nine even greens under a light known beyond doubt: by skimage's CIELAB, the standard deviation
    # of nine values over the root of nine.
    rng = np.random.default_rng(6)
    greens = rng.integers((50, 110, 20), (90, 150, 60), (3, 3, 3)).astype(np.uint8)
    pixels = greens.repeat(30, axis=0).repeat(50, axis=1)
    sure = replace(DAYLIGHT[1], level_uncertainty=1e-6, chroma_uncertainty=1e-6, doubts=())
    found = measure_colour(pixels, np.ones(pixels.shape[:2], dtype=np.float32), sure)
    parts = rgb2lab(greens / 255.0).reshape(9, 3)
    expected = parts.std(axis=0, ddof=1) / 3.0
    told = [number(one)[1] for one in (found.lightness, found.a, found.b)]
    np.testing.assert_allclose(told, expected, rtol=0.02)
    np.testing.assert_allclose(lab(found), np.median(parts, axis=0), rtol=0.02)


def test_no_white_widens_and_mixed_light_widens() -> None:
    plain = measure_colour(DAYLIGHT[0], SHOOTS, DAYLIGHT[1])
    blind = measure_light(as_photo(DAYLIGHT[0]), None)
    wide = measure_colour(DAYLIGHT[0], SHOOTS, blind)
    mixed = replace(DAYLIGHT[1], doubts=(Doubt.MIXED_LIGHT,))
    wider = measure_colour(DAYLIGHT[0], SHOOTS, mixed)
    hue = number(plain.hue_angle_deg)[1]
    assert number(wide.hue_angle_deg)[1] > 3 * hue
    assert number(wider.hue_angle_deg)[1] > 1.5 * hue
    assert number(wide.lightness)[1] > 2 * number(plain.lightness)[1]


@pytest.mark.parametrize("doubt", [Doubt.COLOURED_LIGHT, Doubt.GREYSCALE])
def test_no_colour_without_white_light(doubt: Doubt) -> None:
    light = replace(DAYLIGHT[1], doubts=(doubt,))
    found = measure_colour(DAYLIGHT[0], SHOOTS, light)
    assert found == CanopyColour.unknown(doubt)
    assert found.hue_angle_deg.unit == "deg"


def test_too_few_shoots() -> None:
    few = np.zeros_like(SHOOTS)
    few[200:210, 300:312] = 1
    found = measure_colour(DAYLIGHT[0], few, DAYLIGHT[1])
    assert found.lightness.reason == Doubt.NO_SHOOTS


# A yellowed leaf, sRGB 180 170 60, has the hue angle 99.8 degrees (skimage); a leaf green 133.
@pytest.mark.parametrize("share", [0.0, 0.15, 0.6])
def test_yellow_share(share: float) -> None:
    pixels = speckled([(60, 120, 40), (180, 170, 60)], [1 - share, share])
    everywhere = np.ones(pixels.shape[:2], dtype=np.float32)
    value, uncertainty = number(measure_colour(pixels, everywhere, DAYLIGHT[1]).yellow_share)
    assert value == pytest.approx(share, abs=0.03)
    assert abs(value - share) <= 3 * uncertainty


def test_pale_shoots_are_not_yellow_and_have_no_green_index() -> None:
    pixels = speckled([(205, 203, 180), (225, 225, 220)], [0.5, 0.5])
    everywhere = np.ones(pixels.shape[:2], dtype=np.float32)
    found = measure_colour(pixels, everywhere, DAYLIGHT[1])
    assert number(found.yellow_share)[0] == 0.0
    # The formula itself would call off-white 0.37, a mid green.
    assert found.dark_green_colour_index.value is None
    assert found.dark_green_colour_index.reason == Doubt.NO_SHOOTS


def test_half_shoots_do_not_tint_the_colour() -> None:
    pixels = speckled([(60, 120, 40), (150, 120, 80)], [0.5, 0.5])
    share = np.where(pixels[..., 0] == 60, 1.0, 0.6).astype(np.float32)
    found = measure_colour(pixels, share, DAYLIGHT[1])
    np.testing.assert_allclose(lab(found), rgb2lab(np.array([60, 120, 40]) / 255), atol=0.1)


def test_same_pixels_same_bytes() -> None:
    assert measure_colour(DAYLIGHT[0], SHOOTS, DAYLIGHT[1]) == measure_colour(
        DAYLIGHT[0], SHOOTS, DAYLIGHT[1]
    )


def test_shapes_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match=r"colours must be \(h, w, 3\) and shoot_share \(h, w\)"):
        measure_colour(DAYLIGHT[0], SHOOTS[1:], DAYLIGHT[1])
