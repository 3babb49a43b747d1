"""Vegetation indices against their published formulae, pixel by pixel."""

import colorsys
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trayvision.vegetation_indices import (
    dark_green_colour_index,
    excess_green,
    excess_green_minus_red,
    hue_saturation_brightness,
)

Index = Callable[[npt.ArrayLike], npt.NDArray[np.float64]]

# Worked by hand from the formulae: ExG Woebbecke et al. 1995, ExGR Meyer & Neto 2008 (as
# listed in Plant Methods 2019 15:402, Table 6), DGCI Karcher & Richardson 2003.
COLUMNS: tuple[Index, ...] = (
    excess_green,
    excess_green_minus_red,
)
TABLE = {
    (60, 120, 40): (0.636364, 0.800000, 0.537582),
    (100, 150, 50): (0.5, 0.533333, 0.415033),
    (120, 180, 60): (0.5, 0.533333, 0.375817),
    (30, 90, 30): (0.8, 1.12, 0.660131),
    (180, 170, 60): (0.243902, 0.043902, 0.181373),
    (225, 225, 220): (0.007463, -0.126866, 0.365142),
    (128, 128, 128): (0.0, -0.133333, np.nan),
    (0, 255, 0): (2.0, 3.0, 0.333333),
}


@pytest.mark.parametrize("pixel", TABLE)
def test_published_formulae(pixel: tuple[int, int, int]) -> None:
    found = [float(index(pixel)) for index in COLUMNS]
    np.testing.assert_allclose(found, TABLE[pixel][:-1], atol=1e-6)


@pytest.mark.parametrize("pixel", TABLE)
def test_dark_green_colour_index(pixel: tuple[int, int, int]) -> None:
    found = float(dark_green_colour_index(np.array(pixel) / 255))
    np.testing.assert_allclose(found, TABLE[pixel][-1], atol=1e-6)


def test_dark_green_orders_greens() -> None:
    yellow, mid, dark = (0.71, 0.67, 0.24), (0.39, 0.59, 0.2), (0.12, 0.35, 0.12)
    indices = dark_green_colour_index(np.array([yellow, mid, dark]))
    assert (np.diff(indices) > 0).all()


def test_undefined_is_nan_not_a_number() -> None:
    assert np.isnan(excess_green([0, 0, 0]))


# colorsys of the standard library is an independent HSV.
@given(st.tuples(*[st.integers(0, 255)] * 3))
def test_hue_saturation_brightness(pixel: tuple[int, int, int]) -> None:
    red, green, blue = (channel / 255 for channel in pixel)
    hue, saturation, brightness = hue_saturation_brightness([red, green, blue])
    expected = colorsys.rgb_to_hsv(red, green, blue)
    if len(set(pixel)) == 1:
        assert np.isnan(hue)
    else:
        assert float(hue) / 360 == pytest.approx(expected[0], abs=1e-9)
    assert float(saturation) == pytest.approx(expected[1], abs=1e-9)
    assert float(brightness) == pytest.approx(expected[2], abs=1e-9)


@given(st.tuples(*[st.integers(1, 255)] * 3), st.floats(0.2, 4.0))
def test_ratios_do_not_see_exposure(pixel: tuple[int, int, int], exposure: float) -> None:
    brighter = np.array(pixel) * exposure
    for index in COLUMNS:
        np.testing.assert_allclose(index(brighter), index(pixel), rtol=1e-9, atol=1e-9)


def test_rejects_what_has_no_three_channels() -> None:
    with pytest.raises(ValueError, match=r"rgb must be an \(\.\.\., 3\) array, got shape \(2, 4\)"):
        excess_green(np.zeros((2, 4)))
