"""Colours under a given light: the stated formula, pixel by pixel."""

import numpy as np
import numpy.typing as npt
import pytest

from trayvision.colorimetry import LINEAR_OF_LEVEL, linear_to_srgb
from trayvision.light.colour_correction import Light, correct_colours
from trayvision.light.illumination_field import flat_field


def some_light() -> Light:
    return Light(
        gains=np.array([0.9, 1.1, 1.6]),
        black=np.array([0.012, 0.01, 0.008]),
        field=flat_field(np.array([200.0, 125.0]), level=0.1, chroma=0.02),
        level_uncertainty=0.1,
        chroma_uncertainty=0.02,
        white_linear=np.array([0.84, 0.69, 0.48]),
        duv=0.001,
        clipped_share=0.0,
        seen_white_px=900,
        doubts=(),
    )


def test_correction_is_the_stated_formula() -> None:
    light = some_light()
    levels = np.arange(256, dtype=np.uint8)[:, None, None].repeat(3, axis=2)
    expected = 255 * linear_to_srgb((LINEAR_OF_LEVEL[levels] - light.black) * light.gains)
    np.testing.assert_allclose(correct_colours(levels, light), expected, atol=0.5001)


def test_illumination_is_divided_out_in_linear_light() -> None:
    light = some_light()
    pixels = np.random.default_rng(1).integers(25, 200, (130, 171, 3), dtype=np.uint8)
    ramp = np.linspace(0.7, 1.4, 171)
    coarse = np.repeat(np.linspace(0.7, 1.4, 9, dtype=np.float32)[None, :, None], 4, axis=0)
    found = correct_colours(pixels, light, illumination=coarse.repeat(3, axis=2))
    linear = (LINEAR_OF_LEVEL[pixels] - light.black) * light.gains / ramp[:, None]
    expected = 255 * linear_to_srgb(linear)
    # Coarse cells are centred, so the ramp's ends are flat: only the inside can agree.
    inside = (slice(None), slice(12, -12))
    dark = expected[inside] < 15
    assert abs(found[inside] - expected[inside])[~dark].max() < 4
    assert abs(found[inside] - expected[inside])[~dark].mean() < 1


@pytest.mark.parametrize("bad", [np.zeros((4, 5), np.uint8), np.zeros((4, 5, 3), np.float32)])
def test_wrong_pixels_are_refused(bad: npt.NDArray[np.generic]) -> None:
    with pytest.raises(ValueError, match=r"pixels must be an \(h, w, 3\) uint8 array, got"):
        correct_colours(bad, some_light())  # type: ignore[arg-type]
