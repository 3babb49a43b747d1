"""The likelihood that a candidate patch is mould, from the patch and what lies around it."""

from math import exp, log, pi, sqrt
from typing import NamedTuple

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.segmentation.pixel_classes import TrayClass
from trayvision.segmentation.tray_plan import TrayPlan

# Not fitted: the renders grow mould on day 1 as readily as later, a room hardly ever does, so it is
# a prior from common practice. It fades over a day: the same patch is told alike on both sides of
# any one moment.
_EARLY = -2.0
_EARLY_DAYS = (1.0, 2.0)
_RING_MM = 8.0

# For a photo without a kit, which may show any plant or none: fitted (L2, C = 0.3) on 294 candidate
# patches, 206 of them mould, that the three networks proposed in 300 drawn pictures which they
# never saw (`trayvision.network.composites`, seeds 890000 to 890299). There is no floor, no bed and
# no millimetre in such a photo; with the terms for them as well, mould is told no better on other
# drawn pictures and worse on photographs (`trayvision/network/CARD.md`).
_OF_ANY_PLANT_INTERCEPT = -0.04
_OF_ANY_PLANT_SHARE = 1.35


class PatchTerms(NamedTuple):
    """What speaks for and against a candidate patch; also the weight of each.

    Parameters
    ----------
    share : float
        Log odds of the mean share of mould where the patch is seen.
    peak : float
        Log odds of the largest share of mould in it, smoothed over about a millimetre.
    size : float
        Logarithm of its equivalent diameter over 8 mm.
    bed_within : float
        Mean share of bed in it.
    floor_around, shoots_around : float
        Mean shares within `_RING_MM` of it; 0 where nothing is judged there.
    """

    share: float
    peak: float
    size: float
    bed_within: float
    floor_around: float
    shoots_around: float


# Fitted (L2, C = 0.1) on 165 candidate patches, 108 of them mould, that the second network and the
# first one before the present one proposed in 300 rendered trays under white light which they never
# saw (`trayvision/network/CARD.md` names their seeds); cross-validated over the trays, the area
# under the ROC curve is 0.92. With the present network a new fit tells mould no better.
_INTERCEPT = -0.01
_WEIGHTS = PatchTerms(
    share=0.69, peak=0.37, size=0.48, bed_within=-1.82, floor_around=-6.36, shoots_around=-1.53
)


def patch_terms(
    plan: TrayPlan, mask: npt.NDArray[np.bool_], visible: npt.NDArray[np.bool_], peak: float
) -> PatchTerms:
    """What speaks for and against a candidate patch of a tray.

    Parameters
    ----------
    plan : TrayPlan
    mask : (rows, columns) bool array
        The patch, with what blades hide of it.
    visible : (rows, columns) bool array
        What is seen of it; some of it must be.
    peak : float
        Largest share of mould in it, smoothed over about a millimetre.

    Notes
    -----
    The terms speak for the ways in which patches turn out to be none: a gap that shows the
    tray's floor has more floor beside it, a gap in a canopy is ringed by shoots, and a pale place
    of the bed is half bed to the segmentation too.
    """
    ring = _ring(plan, mask)
    area_mm2 = float(mask.sum()) * plan.grid.mm_per_px**2

    def around(tray_class: TrayClass) -> float:
        return float(plan.share(tray_class)[ring].mean()) if ring.any() else 0.0

    return PatchTerms(
        share=_log_odds(_mean_share(plan, visible)),
        peak=_log_odds(peak),
        size=log(max(2 * sqrt(area_mm2 / pi), 2.0) / 8.0),
        bed_within=float(plan.share(TrayClass.BED)[mask].mean()),
        floor_around=around(TrayClass.BARE_TRAY),
        shoots_around=around(TrayClass.SHOOT),
    )


def patch_likelihood(terms: PatchTerms, *, day: float | None) -> float:
    """How likely a candidate patch of a tray is mould: logistic regression over its terms.

    Parameters
    ----------
    terms : PatchTerms
    day : float or None
        Days since spreading: mould is seldom seen on the first.

    Returns
    -------
    float
        0 to 1.
    """
    score = sum(weight * term for weight, term in zip(_WEIGHTS, terms, strict=True))
    return _probability(_INTERCEPT + score + _of_day(day))


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
    return 0.0 if day is None else float(np.interp(day, _EARLY_DAYS, (_EARLY, 0.0)))


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
