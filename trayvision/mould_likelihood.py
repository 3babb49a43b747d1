"""The likelihood that a candidate patch is mould, from the patch and what lies around it."""

from math import exp, log, pi, sqrt

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.segmentation import TrayClass
from trayvision.tray_plan import TrayPlan

# Fitted (L2, C = 0.3) on 106 candidate patches, 58 of them mould, in 168 rendered trays that
# neither trained the network nor are kept here (seeds 100000 to 100179 of the training set, but
# for those under grow light); five-fold cross-validation by photo: area under the ROC curve
# 0.92, Brier score 0.114.
_INTERCEPT = -0.44
_SHARE = 0.77
_PEAK = 0.22
_SIZE = 0.98
_SHOOTS_WITHIN = -5.2
_FLOOR_AROUND = -7.1
_SHOOTS_AROUND = -2.7
_EARLY = -0.82
_EARLY_DAYS = 1.5
_RING_MM = 8.0


def patch_likelihood(
    plan: TrayPlan,
    mask: npt.NDArray[np.bool_],
    visible: npt.NDArray[np.bool_],
    *,
    peak: float,
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
    peak : float
        Largest smoothed share of mould in it.
    day : float or None
        Days since spreading.

    Returns
    -------
    float
        0 to 1.

    Notes
    -----
    The terms speak for the ways in which patches turn out to be none: a gap that shows the
    tray's floor has more floor beside it, a gap in a canopy is ringed and crossed by shoots, a
    pale place of the bed is never surely mould, and mould is seldom seen on the first day.
    """
    ring = _ring(plan, mask)
    area_mm2 = float(mask.sum()) * plan.grid.mm_per_px**2
    mean = float(plan.share(TrayClass.MOULD)[visible].mean())
    score = _INTERCEPT + _SHARE * _log_odds(mean) + _PEAK * _log_odds(peak)
    score += _SIZE * log(max(2 * sqrt(area_mm2 / pi), 2.0) / 8.0)
    score += _SHOOTS_WITHIN * float(plan.share(TrayClass.SHOOT)[mask].mean())
    if ring.any():
        score += _FLOOR_AROUND * float(plan.share(TrayClass.BARE_TRAY)[ring].mean())
        score += _SHOOTS_AROUND * float(plan.share(TrayClass.SHOOT)[ring].mean())
    if day is not None and day < _EARLY_DAYS:
        score += _EARLY
    return 1 / (1 + exp(-score))


def _log_odds(share: float) -> float:
    bounded = min(max(share, 0.01), 0.99)
    return log(bounded / (1 - bounded))


def _ring(plan: TrayPlan, mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Judged places within `_RING_MM` of a patch, outside it."""
    reach = 2 * round(_RING_MM / plan.grid.mm_per_px) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    grown = cv2.dilate(mask.astype(np.uint8), kernel) > 0
    return np.asarray(grown & ~mask & plan.judged)
