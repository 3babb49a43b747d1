"""Leaves by their colour alone, where a photo has no kit and may show any plant.

The networks learnt from trays and drawn pictures, and take a smooth leaf of another plant for a
surface now and then. In a photo without a kit no green tray is to be expected, and then hardly
anything but a leaf is as green as chlorophyll makes it: what is so counts as evidence beside
what the networks say, by Bayes' rule. And where nothing far around has the hue of a leaf, as on
soil, straw or kernels, nothing is one, whatever texture the networks see in it.
"""

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.colorimetry import LINEAR_OF_LEVEL, linear_to_lab
from trayvision.segmentation.pixel_classes import FloatImage, RgbImage, TrayClass
from trayvision.vegetation_indices import excess_green_minus_red

Degrees = npt.NDArray[np.float64]
Chroma = npt.NDArray[np.float64]

# Leaf green: an angle of hue and a chroma in CIELAB, and an excess of green over red well above
# the zero that Meyer and Neto (2008, Computers and Electronics in Agriculture 63:282) take for
# the border of plants. Chosen so that of photographs of other things hardly a pixel has it
# (`trayvision/network/CARD.md`).
_HUES_DEGREES = (105.0, 165.0)
_LEAST_CHROMA = 20.0
_LEAST_EXCESS = 0.1
# Share of the pixels of leaves, of mould and of all else that are leaf green, counted over 80
# drawn pictures that the networks never saw, before drops of water were drawn on any (with them
# 0.59, 0.15 and 0.004).
_OF_LEAVES, _OF_MOULD, _OF_OTHERS = 0.61, 0.15, 0.008
# What is surely coloured, and of another hue than leaves have in any light short of a coloured one
# (with red times 1.3, blue times 0.55 seven photographs of leaves lose half a percent at most); all
# of it around, since the edges of blades blend with the soil under them.
_LEAF_HUES_DEGREES = (88.0, 200.0)
_COLOURED_CHROMA, _PERHAPS_CHROMA = 8.0, 4.0
_AROUND_PX = 31
_MOSTLY, _HARDLY_ANY = 0.5, 0.02


def leaf_green(rgb: RgbImage) -> npt.NDArray[np.bool_]:
    """Which pixels are as green as only leaves are.

    Parameters
    ----------
    rgb : (h, w, 3) uint8 array
        sRGB in corrected light.

    Returns
    -------
    (h, w) bool array
    """
    return _is_leaf_green(rgb, *_hue_and_chroma(rgb))


def _is_leaf_green(rgb: RgbImage, hue: Degrees, chroma: Chroma) -> npt.NDArray[np.bool_]:
    green = (hue > _HUES_DEGREES[0]) & (hue < _HUES_DEGREES[1])
    green &= chroma > _LEAST_CHROMA
    # Black has no excess: not a number, hence not above it.
    green &= np.nan_to_num(excess_green_minus_red(rgb)) > _LEAST_EXCESS
    return np.asarray(green)


def far_from_leaves(rgb: RgbImage) -> npt.NDArray[np.bool_]:
    """Which pixels lie where nothing has the hue of a leaf.

    Parameters
    ----------
    rgb : (h, w, 3) uint8 array
        sRGB in corrected light.

    Returns
    -------
    (h, w) bool array
    """
    return _is_far_from_leaves(*_hue_and_chroma(rgb))


def _is_far_from_leaves(hue: Degrees, chroma: Chroma) -> npt.NDArray[np.bool_]:
    of_a_leaf = (hue > _LEAF_HUES_DEGREES[0]) & (hue < _LEAF_HUES_DEGREES[1])
    others = _share_around(~of_a_leaf & (chroma > _COLOURED_CHROMA))
    leaves = _share_around(of_a_leaf & (chroma > _PERHAPS_CHROMA))
    return (others > _MOSTLY) & (leaves < _HARDLY_ANY)


def _hue_and_chroma(rgb: RgbImage) -> tuple[Degrees, Chroma]:
    """CIELAB angle of hue, degrees, and chroma."""
    lab = linear_to_lab(LINEAR_OF_LEVEL[rgb])
    hue = np.degrees(np.arctan2(lab[..., 2], lab[..., 1])) % 360
    return hue, np.hypot(lab[..., 1], lab[..., 2])


def _share_around(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.float32]:
    around = cv2.blur(mask.astype(np.float32), (_AROUND_PX, _AROUND_PX))
    return np.asarray(around, dtype=np.float32)


def shoot_share_by_colour(rgb: RgbImage, shoot: FloatImage, among_others: FloatImage) -> FloatImage:
    """Shares of shoot with the colour taken as further evidence.

    Parameters
    ----------
    rgb : (h, w, 3) uint8 array
        sRGB in corrected light.
    shoot : (h, w) float32 array
        Share of shoot that the networks give.
    among_others : (7, ceil(h / 2), ceil(w / 2)) float32 array
        Share of each class in what is no shoot, a block of 2 x 2 px.

    Returns
    -------
    (h, w) float32 array
        0 far from all that has the hue of a leaf, else unchanged where a pixel is not leaf green.
    """
    rows, columns = shoot.shape
    mould = among_others[TrayClass.MOULD].repeat(2, axis=0).repeat(2, axis=1)[:rows, :columns]
    others = (1 - shoot) * (mould * _OF_MOULD + (1 - mould) * _OF_OTHERS)
    leaves = shoot * _OF_LEAVES
    hue, chroma = _hue_and_chroma(rgb)
    told = np.where(_is_leaf_green(rgb, hue, chroma), leaves / (leaves + others), shoot)
    told[_is_far_from_leaves(hue, chroma)] = 0
    return told.astype(np.float32)
