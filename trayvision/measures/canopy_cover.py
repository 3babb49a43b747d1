"""Canopy cover: the share of the tray opening that shoots cover, seen straight down.

A slanting line of sight meets more canopy than a plumb one, so the share of shoots in the
photo is too high away from the point below the camera. Gap-fraction theory corrects it: with
leaves placed at random, the share of gaps seen at zenith angle t is exp(-k(t) L) (Campbell 1986,
Agricultural and Forest Meteorology 36:317). Along a line of sight a flat piece of leaf hides as
much ground as it is large, whatever the angle; an upright piece that may face any way hides
2 / pi tan(t) of its area, the mean of |cos| over all ways to face. With r times as much upright as
flat leaf

    cover(0) = 1 - (1 - cover(t)) ** (1 / (1 + 2 / pi r tan(t))).

The law holds where shoots stand at random, not over bare and full places averaged together,
so it is applied in cells about as wide as a tuft. With the true pixels of 300 rendered trays it
errs by 0.0126 of cover on average, one ellipsoid of leaf angles by 0.0141; on 16 trays of another
renderer, whose blades stand more upright, by 0.0151 and 0.0085, each with the ratio that fits best.
"""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.measurement import Measurement
from trayvision.quality_flags import Doubt
from trayvision.segmentation.pixel_classes import TrayClass
from trayvision.segmentation.tray_plan import TrayPlan

FloatArray = npt.NDArray[np.float64]

# Young cereal blades stand near upright. Chosen, with the two numbers below, on the same trays by
# what does well on both; with their true pixels 1.8 is best for ours and 3.2 for the others', hence
# the spread.
UPRIGHT_TO_FLAT = 2.1
UPRIGHT_TO_FLAT_SPREAD = 0.6
# The segmentation takes the dark gaps of a canopy for shoots somewhat more often than shoots for
# gaps, and is cautious at the edges of blades: on average over a cell its log odds are right
# times this and with this added.
_LOG_ODDS_FACTOR = 1.25
_LOG_ODDS_ADDED = -0.15
# Photos of 12 megapixels and more need no other numbers: with these cover is wrong by 0.026 on
# 155 such renders and by 0.024 on 191 others, too high by 0.004 and too low by 0.002 on average.
_CELL_MM = 12.0
# How far from plumb a photo without a kit may have been taken, 17 degrees: judgement.
_UNKNOWN_ZENITH_TAN = 0.3
# What the segmentation adds in a photo without a kit. With it the cover of 261 drawn pictures
# (`trayvision.network.composites`, seeds 890000 to 890299) lies within 1.96 of the uncertainty in
# 95 %, and that of 169 others as well.
_FRAME_FLOOR = 0.015
_LEAST_SEEN = 0.3
# From photo to photo the segmentation is too generous or too strict by about this much in the
# log odds of its shares, and by this much cover on trays with hardly any shoots.
_SEGMENTATION_LOG_ODDS = 0.45
_SEGMENTATION_FLOOR = 0.006
# Young shoots are as pale as the roots around them: nearly as many again may go unseen, until
# they green.
_PALE_SHARE = 0.9
_PALE_AT_MOST = 0.025
# On the days on which they come up, where hardly any is told yet: on day 3 of 560 rendered series
# the interval held for 72 % without it, for 92 % with it.
_COMING_UP_DAYS = 2.25, 3.75
_COMING_UP = 0.012
# In a canopy that closes, dark gaps are taken for shoots: cover told as 0.8 to 0.96 is 0.04 too
# high in 560 rendered series and not at all in another renderer's trays. So it widens the interval,
# which there held for 63 to 80 % without it and for 82 to 89 % with it, and moves no value.
_CLOSING_COVER = 0.6, 0.8, 0.96, 1.0
_CLOSING_SPREAD = 0.0, 0.03, 0.03, 0.0


@dataclass(frozen=True)
class CanopyCover:
    """Cover of one tray.

    Parameters
    ----------
    cover : Measurement
        Share of the opening under shoots, seen straight down; unit 1.
    as_seen : float or None
        The share before the correction for the slanting view.
    cells : (rows, columns) float array
        Corrected cover in cells of `cell_mm`, NaN where less than half a cell was judged;
        row 0 at +Y, column 0 at bar A.
    cell_mm : float
    """

    cover: Measurement
    as_seen: float | None
    cells: FloatArray
    cell_mm: float

    @classmethod
    def unknown(cls, reason: Doubt) -> "CanopyCover":
        """No cover, and why."""
        return cls(Measurement.unknown("1", reason), None, np.full((1, 1), np.nan), _CELL_MM)


def measure_cover(plan: TrayPlan, *, day: float | None = None) -> CanopyCover:
    """Measure the canopy cover of a tray from its plan.

    Parameters
    ----------
    plan : TrayPlan
    day : float, optional
        Days since spreading, where known.

    Returns
    -------
    CanopyCover
        Unknown with reason `TOO_LITTLE_SEEN` when less than 30 % of the opening was judged.
    """
    cells = Cells(plan.judged, round(_CELL_MM))
    shoots = _Shoots(np.clip(plan.share(TrayClass.SHOOT), 0, 1))
    seen = cells.means(shoots.at(0.0))
    tangent = cells.means(plan.zenith_tan)
    corrected = cover_straight_down(seen, tangent)
    corrected[cells.judged_share < 0.5] = np.nan
    if plan.seen < _LEAST_SEEN or np.isnan(corrected).all():
        return _unknown(corrected)
    weight = np.where(np.isnan(corrected), 0.0, cells.judged_px)
    value = _weighted_mean(corrected, weight)
    parts = (
        _slant_uncertainty(seen, tangent, weight),
        _segmentation_uncertainty(shoots, cells, tangent, weight),
        _unseen_uncertainty(seen, weight, plan.seen),
        _coming_up(day),
        np.interp(value, _CLOSING_COVER, _CLOSING_SPREAD),
    )
    return CanopyCover(
        Measurement(min(max(value, 0.0), 1.0), float(np.linalg.norm(parts)), "1"),
        _weighted_mean(seen, weight),
        corrected,
        _CELL_MM,
    )


def measure_frame_cover(plan: TrayPlan) -> CanopyCover:
    """Measure the cover of a photo without a kit: the share of its pixels told to be shoots.

    Any plant may be on it, seen from anywhere. So nothing is set right for the way that the
    segmentation errs on trays, nor for a slanting view, which only widens the uncertainty.

    Parameters
    ----------
    plan : TrayPlan
        Of a whole photo.

    Returns
    -------
    CanopyCover
        Unknown with reason `TOO_LITTLE_SEEN` when less than 30 % of the frame was judged.
    """
    cells = Cells(plan.judged, round(_CELL_MM))
    shoots = plan.shares.argmax(axis=0) == TrayClass.SHOOT
    seen = cells.means(shoots.astype(np.float32))
    shown = np.where(cells.judged_share < 0.5, np.nan, seen)
    if plan.seen < _LEAST_SEEN or np.isnan(shown).all():
        return _unknown(shown)
    value = float(shoots[plan.judged].mean())
    surely = 1 / (1 + np.exp(-_SEGMENTATION_LOG_ODDS))
    either = np.abs(plan.share(TrayClass.SHOOT)[plan.judged] - 0.5) < surely - 0.5
    aslant = cover_straight_down(seen, np.full_like(seen, _UNKNOWN_ZENITH_TAN))
    parts = (
        float(either.mean()) / 2,
        _FRAME_FLOOR,
        _weighted_mean(seen - aslant, cells.judged_px),
        _unseen_uncertainty(seen, cells.judged_px, plan.seen),
    )
    cover = Measurement(value, float(np.linalg.norm(parts)), "1")
    return CanopyCover(cover, value, shown, _CELL_MM)


def _unknown(cells: FloatArray) -> CanopyCover:
    return CanopyCover(Measurement.unknown("1", Doubt.TOO_LITTLE_SEEN), None, cells, _CELL_MM)


def cover_straight_down(
    cover_seen: FloatArray, zenith_tan: FloatArray, upright_to_flat: float = UPRIGHT_TO_FLAT
) -> FloatArray:
    """Cover seen along the vertical, from cover seen along slanting lines of sight.

    Parameters
    ----------
    cover_seen : float array
        0 to 1.
    zenith_tan : float array, same shape
        Tangent of the zenith angle of the line of sight.
    upright_to_flat : float
        How much more leaf area stands upright than lies flat; 0 where all of it lies flat.

    Returns
    -------
    float array
        Equal to `cover_seen` where the view is plumb; 0 stays 0 and 1 stays 1.
    """
    exponent = 1 / (1 + 2 / np.pi * upright_to_flat * zenith_tan)
    return np.asarray(1 - np.power(1 - np.clip(cover_seen, 0, 1), exponent))


class Cells:
    """Square cells over an image, of which only some pixels were judged.

    Parameters
    ----------
    judged : (rows, columns) bool array
    cell_px : int
        Side of a cell; the last row and column of cells may be narrower.

    Attributes
    ----------
    judged_px, judged_share : float64 arrays of (ceil(rows / cell_px), ceil(columns / cell_px))
        How many pixels of each cell were judged, and which share of its pixels.
    """

    def __init__(self, judged: npt.NDArray[np.bool_], cell_px: int) -> None:
        self._weight = judged.astype(np.float32)
        self._at_rows = np.arange(0, judged.shape[0], cell_px)
        self._at_columns = np.arange(0, judged.shape[1], cell_px)
        self.judged_px = self._total(self._weight)
        self.judged_share = self.judged_px / self._total(np.ones_like(self._weight))

    def means(self, image: npt.NDArray[np.float32]) -> FloatArray:
        """Mean of an image over each cell's judged pixels, 0 where there are none."""
        return self._total(image * self._weight) / np.maximum(self.judged_px, 1)

    def _total(self, values: npt.NDArray[np.float32]) -> FloatArray:
        by_rows = np.add.reduceat(values, self._at_rows, axis=0)
        return np.add.reduceat(by_rows, self._at_columns, axis=1).astype(np.float64)


def _weighted_mean(values: FloatArray, weight: FloatArray) -> float:
    return float(np.sum(np.where(weight > 0, values, 0) * weight) / np.sum(weight))


class _Shoots:
    """Shares of shoots set right, and what they would be at other odds."""

    def __init__(self, shares: npt.NDArray[np.float32]) -> None:
        self._sure = cv2.pow(shares, _LOG_ODDS_FACTOR)
        self._rest = cv2.pow(1 - shares, _LOG_ODDS_FACTOR)

    def at(self, log_odds: float) -> npt.NDArray[np.float32]:
        """Shares with all log odds shifted further."""
        sure = self._sure * np.float32(np.exp(log_odds + _LOG_ODDS_ADDED))
        return np.asarray(sure / (sure + self._rest), dtype=np.float32)


def _slant_uncertainty(seen: FloatArray, tangent: FloatArray, weight: FloatArray) -> float:
    ends = [
        _weighted_mean(cover_straight_down(seen, tangent, UPRIGHT_TO_FLAT + shift), weight)
        for shift in (-UPRIGHT_TO_FLAT_SPREAD, UPRIGHT_TO_FLAT_SPREAD)
    ]
    return abs(ends[1] - ends[0]) / 2


def _segmentation_uncertainty(
    shoots: _Shoots, cells: Cells, tangent: FloatArray, weight: FloatArray
) -> float:
    ends = [
        _weighted_mean(cover_straight_down(cells.means(shoots.at(shift)), tangent), weight)
        for shift in (-_SEGMENTATION_LOG_ODDS, _SEGMENTATION_LOG_ODDS)
    ]
    pale = min(_PALE_SHARE * sum(ends) / 2, _PALE_AT_MOST)
    return float(np.linalg.norm([(ends[1] - ends[0]) / 2, _SEGMENTATION_FLOOR, pale]))


def _coming_up(day: float | None) -> float:
    first, last = _COMING_UP_DAYS
    return _COMING_UP if day is not None and first <= day <= last else 0.0


def _unseen_uncertainty(seen: FloatArray, weight: FloatArray, judged: float) -> float:
    """What was not judged may differ from the rest by as much as cells differ among themselves."""
    mean = _weighted_mean(seen, weight)
    spread = np.sqrt(max(_weighted_mean(np.square(seen), weight) - mean**2, 0.0))
    return float((1 - judged) * spread / 2)
