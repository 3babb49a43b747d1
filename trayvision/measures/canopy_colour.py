"""The colour of a tray's shoots, in terms that mean the same in every photo."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from trayvision.colorimetry import LINEAR_OF_LEVEL, linear_to_lab, linear_to_srgb
from trayvision.light.colour_correction import Light
from trayvision.measurement import Measurement
from trayvision.quality_flags import Doubt
from trayvision.vegetation_indices import dark_green_colour_index, hue_saturation_brightness

FloatArray = npt.NDArray[np.float64]

# A pixel that is shoot only in part shows the bed's colour too.
_PURE_SHARE: Final = 0.9
_FEWEST_PX: Final = 150
_SAMPLE_PX: Final = 2000
# What the light's uncertainty passes on is worked out six times over, to a few per cent.
_LIGHT_SAMPLE_PX: Final = 500
_BLOCKS: Final = 3
_FEWEST_BLOCK_PX: Final = 25
# Yellow is a hue angle below this: the 24-patch chart's yellow green lies at 112 degrees, a
# yellowed leaf at 100. Shoots of less chroma are pale, as all are in their first days.
_YELLOW_HUE_DEG: Final = 110.0
_YELLOW_CHROMA: Final = 25.0
# The index orders greens only, and hue is noise where there is hardly any colour.
_DGCI_HUES_DEG: Final = (60.0, 120.0)
_DGCI_SATURATION: Final = 0.15
_DGCI_SHARE: Final = 0.2
_MIXED_CHROMA: Final = 0.05
_UNITS: Final = ("1", "1", "1", "1", "deg", "1", "1")


@dataclass(frozen=True)
class CanopyColour:
    """Colour of the shoots after correction to the kit's white.

    Parameters
    ----------
    lightness, a, b : Measurement
        Medians of CIELAB L*, a*, b* (D65) over the shoots.
    chroma : Measurement
        C* of the median a*, b*.
    hue_angle_deg : Measurement
        Of the median a*, b*: about 135 for a green leaf, 100 for a yellowed one.
    dark_green_colour_index : Measurement
        Median over the green shoots (Karcher & Richardson 2003).
    yellow_share : Measurement
        Share of the shoots that is yellow, 0 to 1.
    """

    lightness: Measurement
    a: Measurement
    b: Measurement
    chroma: Measurement
    hue_angle_deg: Measurement
    dark_green_colour_index: Measurement
    yellow_share: Measurement

    @classmethod
    def unknown(cls, reason: Doubt) -> "CanopyColour":
        """No colour, and why."""
        return cls(*(Measurement.unknown(unit, reason) for unit in _UNITS))


def measure_colour(
    colours: npt.NDArray[np.uint8],
    shoot_share: npt.NDArray[np.float32],
    light: Light,
) -> CanopyColour:
    """Measure the colour of the shoots in a picture of the tray.

    The uncertainty joins the light's (level and colour of the white at the shoots) with the
    spread between parts of the tray.

    Parameters
    ----------
    colours : (h, w, 3) uint8 array
        Light-corrected sRGB.
    shoot_share : (h, w) float array
        Share of each pixel that is shoot, 0 where the place cannot be judged.
    light : Light
        What the colours were corrected by.

    Returns
    -------
    CanopyColour
        Unknown under coloured light, in a photo without colour, and when fewer than 150 px
        are shoot.

    Raises
    ------
    ValueError
        If `colours` is not (h, w, 3) or `shoot_share` not (h, w).
    """
    if colours.ndim != 3 or colours.shape[2] != 3 or shoot_share.shape != colours.shape[:2]:
        raise ValueError(
            "colours must be (h, w, 3) and shoot_share (h, w), "
            f"got {colours.shape} and {shoot_share.shape}"
        )
    for doubt in (Doubt.GREYSCALE, Doubt.COLOURED_LIGHT):
        if doubt in light.doubts:
            return CanopyColour.unknown(doubt)
    pure = np.flatnonzero(shoot_share >= _PURE_SHARE)
    if pure.size < _FEWEST_PX:
        return CanopyColour.unknown(Doubt.NO_SHOOTS)
    # Every n-th in reading order: the same pixels on every run.
    pure = pure[:: max(1, pure.size // _SAMPLE_PX)]
    rows, columns = np.unravel_index(pure, shoot_share.shape)
    linear = LINEAR_OF_LEVEL[colours[rows, columns]]
    shoots = _Shoots.of(linear)
    height, width = shoot_share.shape
    block = rows * _BLOCKS // height * _BLOCKS + columns * _BLOCKS // width
    fewer = linear[:: max(1, len(linear) // _LIGHT_SAMPLE_PX)]
    variance = _light_variance(fewer, light) + _spread_variance(shoots, block)
    return CanopyColour(
        *(
            _measurement(value, spread, unit)
            for value, spread, unit in zip(shoots.values(), np.sqrt(variance), _UNITS, strict=True)
        )
    )


def _measurement(value: float, uncertainty: float, unit: str) -> Measurement:
    if not (np.isfinite(value) and np.isfinite(uncertainty)):
        return Measurement.unknown(unit, Doubt.NO_SHOOTS)
    return Measurement(float(value), float(uncertainty), unit)


@dataclass(frozen=True, eq=False)
class _Shoots:
    """Pixels of shoots: (n, 3) CIELAB, which are yellow (n,), and the index (n,) of the green."""

    lab: FloatArray
    yellow: npt.NDArray[np.bool_]
    dgci: FloatArray

    @classmethod
    def of(cls, linear: FloatArray) -> "_Shoots":
        """(n, 3) linear RGB."""
        lab, srgb = linear_to_lab(linear), linear_to_srgb(linear)
        chroma = np.hypot(lab[:, 1], lab[:, 2])
        hue_angle = _hue_angle_deg(lab[:, 1], lab[:, 2])
        hue, saturation, _ = hue_saturation_brightness(srgb)
        green = (saturation >= _DGCI_SATURATION) & (hue >= _DGCI_HUES_DEG[0])
        green &= hue <= _DGCI_HUES_DEG[1]
        dgci = np.full(len(linear), np.nan)
        dgci[green] = dark_green_colour_index(srgb[green])
        return cls(lab, (chroma > _YELLOW_CHROMA) & (hue_angle < _YELLOW_HUE_DEG), dgci)

    def values(self, rows: npt.NDArray[np.bool_] | slice = slice(None)) -> FloatArray:
        """(7,) the fields of `CanopyColour` over some of them."""
        lightness, a, b = np.median(self.lab[rows], axis=0)
        dgci = self.dgci[rows]
        told = dgci[np.isfinite(dgci)]
        few = told.size < _DGCI_SHARE * dgci.size
        middle = np.nan if few else float(np.median(told))
        yellow_share = float(self.yellow[rows].mean())
        hue_angle = float(_hue_angle_deg(a, b))
        return np.array([lightness, a, b, np.hypot(a, b), hue_angle, middle, yellow_share])


def _hue_angle_deg(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.degrees(np.arctan2(b, a)) % 360


def _light_variance(linear: FloatArray, light: Light) -> FloatArray:
    """(7,) variance that the uncertain white passes on, by central differences."""
    mixed = _MIXED_CHROMA if Doubt.MIXED_LIGHT in light.doubts else 0.0
    chroma = float(np.hypot(light.chroma_uncertainty, mixed))
    level = light.level_uncertainty
    changes = np.array([[level, level, level], [chroma, 0, 0], [0, 0, chroma]])
    factors = np.exp(np.concatenate([changes, -changes]))
    lit = _Shoots.of((linear * factors[:, None]).reshape(-1, 3))
    parts = [slice(k * len(linear), (k + 1) * len(linear)) for k in range(len(factors))]
    more, less = np.split(np.array([lit.values(part) for part in parts]), 2)
    return np.asarray(np.sum(np.square((more - less) / 2), axis=0))


def _spread_variance(shoots: _Shoots, block: npt.NDArray[np.int_]) -> FloatArray:
    """(7,) variance of the mean over the blocks of a grid over the tray."""
    labels, sizes = np.unique(block, return_counts=True)
    labels = labels[sizes >= _FEWEST_BLOCK_PX]
    if labels.size < 2:
        labels, block = np.arange(4), np.arange(block.size) * 4 // block.size
    parts = np.array([shoots.values(block == label) for label in labels])
    # The green index may be missing from some blocks.
    told = np.isfinite(parts)
    count = told.sum(axis=0)
    mean = np.where(told, parts, 0).sum(axis=0) / np.maximum(count, 1)
    squares = (np.where(told, parts - mean, 0) ** 2).sum(axis=0)
    return np.asarray(squares / np.maximum(count - 1, 1) / np.maximum(count, 1))
