"""Standard colorimetry in numpy: sRGB, CIE XYZ, CIELAB (D65) and the locus of white lights."""

from functools import cache
from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
AnyFloat = TypeVar("AnyFloat", np.float32, np.float64)
Pixels = npt.NDArray[np.uint8]

# IEC 61966-2-1:1999, linear sRGB to CIE XYZ.
_RGB_TO_XYZ: Final = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
LUMINANCE_WEIGHTS: Final = _RGB_TO_XYZ[1]
_WHITE_D65: Final = _RGB_TO_XYZ.sum(axis=1)


def srgb_to_linear(encoded: FloatArray) -> FloatArray:
    """Linear light of sRGB values, both in 0 to 1 (IEC 61966-2-1)."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(linear: npt.NDArray[AnyFloat]) -> npt.NDArray[AnyFloat]:
    """sRGB values of linear light; what lies outside 0 to 1 is clipped (IEC 61966-2-1)."""
    light = np.clip(linear, 0.0, 1.0)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


# Every 8-bit sRGB level in linear light: indexing it decodes an image.
LINEAR_OF_LEVEL: Final = srgb_to_linear(np.arange(256) / 255.0)


def linear_to_lab(linear: FloatArray) -> FloatArray:
    """CIELAB under D65 of linear sRGB.

    Parameters
    ----------
    linear : (..., 3) float array
        Linear sRGB, 1 the brightest white.

    Returns
    -------
    (..., 3) float array
        L*, a*, b* after CIE 15:2004; equal amounts of R, G and B give a* = b* = 0 exactly.
    """
    ratio = linear @ _RGB_TO_XYZ.T / _WHITE_D65
    small = (6 / 29) ** 3
    cube = np.where(ratio > small, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    x, y, z = cube[..., 0], cube[..., 1], cube[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def linear_to_xy(linear: FloatArray) -> tuple[float, float]:
    """CIE 1931 chromaticity of one linear sRGB colour, not black."""
    xyz = _RGB_TO_XYZ @ linear
    return float(xyz[0] / xyz.sum()), float(xyz[1] / xyz.sum())


@cache
def _white_locus() -> FloatArray:
    """(n, 2) CIE 1960 (u, v) of black bodies from 1500 K to 15000 K, even steps in 1/T.

    Krystek (1985), Color Research & Application 10:38-40: rational fit, within 8e-5 in u
    and 9e-5 in v over that range.
    """
    t = 1.0 / np.linspace(1 / 1500.0, 1 / 15000.0, 400)
    u = (0.860117757 + 1.54118254e-4 * t + 1.28641212e-7 * t**2) / (
        1 + 8.42420235e-4 * t + 7.08145163e-7 * t**2
    )
    v = (0.317398726 + 4.22806245e-5 * t + 4.20481691e-8 * t**2) / (
        1 - 2.89741816e-5 * t + 1.61456053e-7 * t**2
    )
    return np.stack([u, v], axis=1)


def distance_from_white_locus(xy: tuple[float, float]) -> float:
    """Signed distance Duv of a light from the black-body locus, in CIE 1960 (u, v).

    Parameters
    ----------
    xy : tuple of float
        CIE 1931 chromaticity.

    Returns
    -------
    float
        Positive towards green, negative towards pink. ANSI C78.377 allows nominally white
        lamps about ±0.006; a light beyond either end of the locus (redder than a candle, or
        deep blue) is measured to that end and gets its sign from the side it lies on.
    """
    x, y = xy
    scale = -2 * x + 12 * y + 3
    point = np.array([4 * x, 6 * y]) / scale
    difference = point - _white_locus()
    distance = np.hypot(difference[:, 0], difference[:, 1])
    nearest = int(distance.argmin())
    return float(np.copysign(distance[nearest], difference[nearest, 1]))
