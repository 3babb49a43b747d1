"""Published vegetation indices of plain RGB pixels, each a ratio of its channels.

All take (..., 3) arrays of R, G, B in any common unit (8-bit levels or 0 to 1) and give
(...,) float arrays, NaN where the index is undefined (a zero denominator, black).
"""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def excess_green(rgb: npt.ArrayLike) -> FloatArray:
    """ExG = 2g - r - b of chromatic coordinates, -1 to 2 (Woebbecke et al. 1995)."""
    r, g, b = _chromatic(rgb)
    return np.asarray(2 * g - r - b)


def excess_green_minus_red(rgb: npt.ArrayLike) -> FloatArray:
    """ExGR = ExG - ExR with ExR = 1.4r - g (Meyer & Neto 2008, not the 1.3r of 1998)."""
    r, g, _ = _chromatic(rgb)
    return np.asarray(excess_green(rgb) - (1.4 * r - g))


def hue_saturation_brightness(rgb: npt.ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Hue in degrees (NaN for greys), saturation and brightness 0 to 1, of RGB 0 to 1."""
    r, g, b = _channels(rgb)
    brightness = np.maximum(np.maximum(r, g), b)
    spread = brightness - np.minimum(np.minimum(r, g), b)
    saturation = np.where(brightness > 0, _ratio(spread, brightness), 0.0)
    sixth = np.where(
        brightness == r,
        _ratio(g - b, spread) % 6,
        np.where(brightness == g, _ratio(b - r, spread) + 2, _ratio(r - g, spread) + 4),
    )
    return 60 * sixth, saturation, brightness


def dark_green_colour_index(rgb: npt.ArrayLike) -> FloatArray:
    """DGCI = [(H - 60)/60 + (1 - S) + (1 - B)] / 3 (Karcher & Richardson 2003).

    Crop Science 43:943-951. Takes sRGB 0 to 1. It orders greens, hue 60 to 120 degrees, from
    yellow to dark green; other colours get a number too (an off-white 0.37), which means
    nothing: leave them out first. Greys, which have no hue, give NaN.
    """
    hue, saturation, brightness = hue_saturation_brightness(rgb)
    return np.asarray(((hue - 60) / 60 + (1 - saturation) + (1 - brightness)) / 3)


def _channels(rgb: npt.ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    values = np.asarray(rgb, dtype=np.float64)
    if values.ndim == 0 or values.shape[-1] != 3:
        raise ValueError(f"rgb must be an (..., 3) array, got shape {values.shape}")
    return values[..., 0], values[..., 1], values[..., 2]


def _chromatic(rgb: npt.ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    r, g, b = _channels(rgb)
    total = r + g + b
    return _ratio(r, total), _ratio(g, total), _ratio(b, total)


def _ratio(numerator: FloatArray, denominator: FloatArray) -> FloatArray:
    missing = np.full(np.broadcast(numerator, denominator).shape, np.nan)
    return np.asarray(np.divide(numerator, denominator, out=missing, where=denominator != 0))
