"""What a patch looks like: white fuzz, grey-green, dark or pink, beside the bed around it.

Light in a tray varies from place to place and a patch is mixed with the seed under it, so its
colour says less than how the colour of its middle differs from the bed beside it.
"""

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.segmentation.pixel_classes import TrayClass
from trayvision.segmentation.tray_plan import TrayPlan

FloatArray = npt.NDArray[np.float64]

LOOKS = ("white fuzz", "grey-green", "dark", "pink")
# Mean difference in CIELAB between the middle of a patch and the bed around it, for each look in
# turn, and its spread within a look: from 132 patches that were found in rendered trays, those of
# the sample photos and of another renderer among them. With the means taken from the others, 116
# of them are named rightly.
_DIFFERENCES = np.array(
    [[9.8, -1.0, -6.0], [-4.5, -5.3, -5.5], [-21.2, -0.4, -6.7], [5.5, 9.0, -1.4]]
)
_SPREAD = np.array([6.2, 3.1, 4.2])
_BED_SHARE = 0.5
_RING_MM = 12.0
_LEAST_BED_PX = 20
# Seed with roots, where a canopy leaves nothing of the bed to compare with: usual values.
_USUAL_BED = np.array([60.0, 0.0, 10.0])


def patch_look(plan: TrayPlan, mask: npt.NDArray[np.bool_], visible: npt.NDArray[np.bool_]) -> str:
    """One of `LOOKS` for a patch.

    Parameters
    ----------
    plan : TrayPlan
    mask : (rows, columns) bool array
        The patch, with what blades hide of it.
    visible : (rows, columns) bool array
        What is seen of it; some of it must be.
    """
    difference = _median_lab(plan, _middle(mask, visible)) - _bed_lab(plan, mask)
    distances = np.square((difference - _DIFFERENCES) / _SPREAD).sum(axis=1)
    return LOOKS[int(distances.argmin())]


def _middle(mask: npt.NDArray[np.bool_], visible: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """What is seen of the inner part of a patch: its rim is often of another colour."""
    depth = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 3)
    middle = visible & (depth >= depth.max() / 2)
    return np.asarray(middle if middle.any() else visible)


def _bed_lab(plan: TrayPlan, mask: npt.NDArray[np.bool_]) -> FloatArray:
    bed = (plan.share(TrayClass.BED) > _BED_SHARE) & plan.judged & ~mask
    reach = 2 * round(_RING_MM / plan.grid.mm_per_px) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    near = bed & (cv2.dilate(mask.astype(np.uint8), kernel) > 0)
    for place in (near, bed):
        if place.sum() >= _LEAST_BED_PX:
            return _median_lab(plan, place)
    return _USUAL_BED


def _median_lab(plan: TrayPlan, place: npt.NDArray[np.bool_]) -> FloatArray:
    """Median CIELAB (D65) to half a unit, at the speed of OpenCV's 8-bit tables."""
    lab = cv2.cvtColor(plan.colours[place][None], cv2.COLOR_RGB2LAB)[0].astype(np.float64)
    return np.asarray(np.median(lab, axis=0) * [100 / 255, 1, 1] - [0, 128, 128])
