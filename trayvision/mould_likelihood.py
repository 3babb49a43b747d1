"""The likelihood that a candidate patch is mould, from the patch and what lies around it."""

from math import exp, log, pi, sqrt

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.pixel_classes import TrayClass
from trayvision.tray_plan import TrayPlan

# Fitted (L2, C = 0.1) on 165 candidate patches, 108 of them mould, that the networks proposed in
# 300 rendered trays under white light which they never saw (`trayvision/network/CARD.md` names
# their seeds); cross-validated over the trays, the area under the ROC curve is 0.92. The term for
# the first day is not fitted: the renders grow mould on day 1 as readily as later, a room hardly
# ever does, so it is a prior from common practice.
_INTERCEPT = -0.01
_SHARE = 0.69
_PEAK = 0.37
_SIZE = 0.48
_BED_WITHIN = -1.82
_FLOOR_AROUND = -6.36
_SHOOTS_AROUND = -1.53
_EARLY = -2.0
_EARLY_DAYS = 1.5
_RING_MM = 8.0

# For a photo without a kit, which may show any plant or none: fitted (L2, C = 0.3) on 294 candidate
# patches, 206 of them mould, that the three networks proposed in 300 drawn pictures which they
# never saw (`trayvision.network.composites`, seeds 890000 to 890299). There is no floor, no bed and
# no millimetre in such a photo; with the terms for them as well, mould is told no better on other
# drawn pictures and worse on photographs (`trayvision/network/CARD.md`).
_OF_ANY_PLANT_INTERCEPT = -0.04
_OF_ANY_PLANT_SHARE = 1.35


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
        Largest share of mould in it, smoothed over about a millimetre.
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
    score = _INTERCEPT + _SHARE * _log_odds(_mean_share(plan, visible))
    score += _PEAK * _log_odds(peak)
    score += _SIZE * log(max(2 * sqrt(area_mm2 / pi), 2.0) / 8.0)
    score += _BED_WITHIN * float(plan.share(TrayClass.BED)[mask].mean())
    if ring.any():
        score += _FLOOR_AROUND * float(plan.share(TrayClass.BARE_TRAY)[ring].mean())
        score += _SHOOTS_AROUND * float(plan.share(TrayClass.SHOOT)[ring].mean())
    return _probability(score + _of_day(day))


def any_plant_likelihood(
    plan: TrayPlan, visible: npt.NDArray[np.bool_], *, day: float | None
) -> float:
    """How likely a candidate patch is mould in a photo without a kit.

    Parameters
    ----------
    plan : TrayPlan
        Of a whole photo.
    visible : (rows, columns) bool array
        What is seen of the patch; some of it must be.
    day : float or None
        Days since spreading.

    Returns
    -------
    float
        0 to 1: logistic regression over the networks' mean share of mould in it.
    """
    score = _OF_ANY_PLANT_INTERCEPT + _OF_ANY_PLANT_SHARE * _log_odds(_mean_share(plan, visible))
    return _probability(score + _of_day(day))


def _mean_share(plan: TrayPlan, visible: npt.NDArray[np.bool_]) -> float:
    return float(plan.share(TrayClass.MOULD)[visible].mean())


def _of_day(day: float | None) -> float:
    return _EARLY if day is not None and day < _EARLY_DAYS else 0.0


def _probability(log_odds: float) -> float:
    return 1 / (1 + exp(-log_odds))


def _log_odds(share: float) -> float:
    kept = min(max(share, 0.01), 0.99)
    return log(kept / (1 - kept))


def _ring(plan: TrayPlan, mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Judged places within `_RING_MM` of a patch, outside it."""
    reach = 2 * round(_RING_MM / plan.grid.mm_per_px) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    grown = cv2.dilate(mask.astype(np.uint8), kernel) > 0
    return np.asarray(grown & ~mask & plan.judged)
