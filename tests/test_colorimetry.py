"""Colour arithmetic against published tables and independent libraries."""

import csv
from pathlib import Path

import colour
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.color import deltaE_ciede2000, rgb2lab

from trayvision.colorimetry import (
    LINEAR_OF_LEVEL,
    distance_from_white_locus,
    linear_to_lab,
    linear_to_srgb,
    linear_to_xy,
    srgb_to_linear,
)

SHARMA = Path(__file__).parent / "reference_values" / "ciede2000_sharma2005.csv"


def lab_of(*levels: int) -> np.ndarray:
    return linear_to_lab(LINEAR_OF_LEVEL[np.array(levels)])


def sharma_pairs() -> list[tuple[list[float], list[float], float]]:
    with SHARMA.open() as file:
        rows = [[float(cell) for cell in row[-7:]] for row in list(csv.reader(file))[1:]]
    return [(row[:3], row[3:6], row[6]) for row in rows]


# Sharma, Wu, Dalal (2005), Table 1; see reference_values/ORIGIN.md. The accuracy report states
# its colour differences with this function.
@pytest.mark.parametrize(("first", "second", "difference"), sharma_pairs())
def test_ciede2000_published_pairs(
    first: list[float], second: list[float], difference: float
) -> None:
    assert float(deltaE_ciede2000(first, second)) == pytest.approx(difference, abs=1e-4)


def test_all_published_pairs_are_here() -> None:
    assert len(sharma_pairs()) == 34


# scikit-image 0.26 skimage.color.rgb2lab and colour-science 0.4.7 (which differ by 0.03).
@pytest.mark.parametrize(
    ("levels", "lab"),
    [
        ((255, 0, 0), (53.2406, 80.0923, 67.2028)),
        ((0, 255, 0), (87.7351, -86.1830, 83.1797)),
        ((0, 0, 255), (32.2957, 79.1856, -107.8573)),
        ((60, 120, 40), (45.0064, -35.3777, 36.8525)),
        ((180, 170, 60), (68.592, -9.6357, 55.7109)),
        ((225, 225, 220), (89.4049, -0.8886, 2.4446)),
    ],
)
def test_lab_of_srgb(levels: tuple[int, int, int], lab: tuple[float, float, float]) -> None:
    np.testing.assert_allclose(lab_of(*levels), lab, atol=0.05)


# Grey 119 is L* 50.0344 and grey 128 L* 53.5850 in both libraries; greys have no chroma.
@pytest.mark.parametrize(("level", "lightness"), [(119, 50.0344), (128, 53.5850), (255, 100.0)])
def test_greys_are_neutral(level: int, lightness: float) -> None:
    np.testing.assert_allclose(lab_of(level, level, level), [lightness, 0, 0], atol=1e-3)


def test_lab_agrees_with_scikit_image_everywhere() -> None:
    rgb = np.stack(np.meshgrid(*[np.linspace(0, 1, 7)] * 3), axis=-1)
    np.testing.assert_allclose(linear_to_lab(srgb_to_linear(rgb)), rgb2lab(rgb), atol=0.05)


# CIE D65, 2 degree observer: x 0.3127, y 0.3290.
def test_white_is_d65() -> None:
    assert linear_to_xy(np.ones(3)) == pytest.approx((0.3127, 0.3290), abs=1e-4)


# colour-science: eotf_sRGB after IEC 61966-2-1.
def test_srgb_curve_agrees_with_colour_science() -> None:
    encoded = np.linspace(0, 1, 101)
    np.testing.assert_allclose(srgb_to_linear(encoded), colour.models.eotf_sRGB(encoded), atol=1e-7)


@given(st.integers(0, 255))
def test_every_level_survives_the_round_trip(level: int) -> None:
    assert round(255 * float(linear_to_srgb(LINEAR_OF_LEVEL[level]))) == level


# colour-science: uv_to_CCT_Ohno2013, an independent search for the locus.
@pytest.mark.parametrize("kelvin", [2000, 2700, 4000, 6500, 9000])
@pytest.mark.parametrize("duv", [-0.03, -0.01, 0.0, 0.005, 0.02])
def test_distance_from_locus(kelvin: int, duv: float) -> None:
    uv = colour.temperature.CCT_to_uv_Ohno2013(np.array([kelvin, duv]))
    x, y = colour.models.UCS_uv_to_xy(uv)
    assert distance_from_white_locus((float(x), float(y))) == pytest.approx(duv, abs=3e-4)


# CIE standard illuminants: daylight D65 lies 0.0032 above the black-body locus, A on it.
@pytest.mark.parametrize(
    ("name", "duv", "tolerance"), [("D65", 0.0032, 3e-4), ("A", 0.0, 3e-4), ("D50", 0.0032, 3e-4)]
)
def test_standard_illuminants(name: str, duv: float, tolerance: float) -> None:
    xy = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][name]
    assert distance_from_white_locus(tuple(xy)) == pytest.approx(duv, abs=tolerance)
