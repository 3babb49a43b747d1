"""The likelihood that a candidate patch is mould, from the patch and what lies around it."""

from math import exp, log, pi, sqrt

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.segmentation import TrayClass
from trayvision.tray_plan import TrayPlan

# Fitted (L2, C = 0.1) on 471 candidate patches, 140 of them mould, that an earlier training of the
# network proposed in 430 rendered trays; kept for the present one: over 168 rendered trays that
# it never saw, the area under the ROC curve is 0.91. A fit to these trays themselves reaches
# 0.95 there, but is surer where it is wrong elsewhere: on 16 renders of another renderer 0.77
# after 0.83, and even root hairs at 0.92.
_INTERCEPT = 0.0
_SHARE = 0.84
_SIZE = 0.49
_BED_WITHIN = -5.0
_FLOOR_AROUND = -7.2
_SHOOTS_AROUND = -1.9
_EARLY = -1.6
_EARLY_DAYS = 1.5
_RING_MM = 8.0


def patch_likelihood(
    plan: TrayPlan,
    mask: npt.NDArray[np.bool_],
    visible: npt.NDArray[np.bool_],
    *,
    day: float | None,
) -> float:
    """How likely a candidate patch is mould: logistic regression over it and its surroundings.

    Parameters
    ----------
    plan : TrayPlan
    mask : (rows, columns) bool array
        The patch, with what blades hide of it.
    visible : (rows, columns) bool array
        What is seen of it; some of it must be.
    day : float or None
        Days since spreading.

    Returns
    -------
    float
        0 to 1.

    Notes
    -----
    The terms speak for the ways in which patches turn out to be none: a gap that shows the
    tray's floor has more floor beside it, a gap in a canopy is ringed by shoots, a pale place
    of the bed is half bed to the segmentation too, and mould is seldom seen on the first day.
    """
    ring = _ring(plan, mask)
    area_mm2 = float(mask.sum()) * plan.grid.mm_per_px**2
    mean = float(np.clip(plan.share(TrayClass.MOULD)[visible].mean(), 0.01, 0.99))
    score = _INTERCEPT + _SHARE * log(mean / (1 - mean))
    score += _SIZE * log(max(2 * sqrt(area_mm2 / pi), 2.0) / 8.0)
    score += _BED_WITHIN * float(plan.share(TrayClass.BED)[mask].mean())
    if ring.any():
        score += _FLOOR_AROUND * float(plan.share(TrayClass.BARE_TRAY)[ring].mean())
        score += _SHOOTS_AROUND * float(plan.share(TrayClass.SHOOT)[ring].mean())
    if day is not None and day < _EARLY_DAYS:
        score += _EARLY
    return 1 / (1 + exp(-score))


def _ring(plan: TrayPlan, mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Judged places within `_RING_MM` of a patch, outside it."""
    reach = 2 * round(_RING_MM / plan.grid.mm_per_px) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    grown = cv2.dilate(mask.astype(np.uint8), kernel) > 0
    return np.asarray(grown & ~mask & plan.judged)
