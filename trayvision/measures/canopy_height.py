"""Canopy height, read where the canopy hides the height strip.

The strip's own plane is rectified, so that its bands lie in rows of known height, and each height
is asked which share of the strip is seen there (`trayvision.measures.strip_bands`). The height at
which the strip as a whole gives way to the canopy is the change point of that profile, which a
single blade across the strip, a glint or a missing band does not move.
"""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.measurement import Measurement
from trayvision.measures.bed_height import ASSUMED_BED_HEIGHT
from trayvision.measures.strip_bands import (
    PITCH_MM,
    Image,
    bands_go_on,
    seen_profile,
    stands_before,
)
from trayvision.photo.photo import Photo
from trayvision.pose.tray_pose import TrayPose
from trayvision.quality_flags import Doubt
from trayvision.reference_kit import STRIP_BAND_MM, STRIP_TOP_MM, STRIP_WIDTH_MM

FloatArray = npt.NDArray[np.float64]

_EDGE_MARGIN_MM = 3.0
# Below these the strip's bands melt into each other (10 mm bands need 4 px to show a level).
_MIN_PX_PER_MM = 0.35
_MIN_FACING_DEG = 12.0
# Standard uncertainty of a height that lies somewhere in the lowest band.
_LOWEST_BAND_SPREAD_MM = 2.6
# A taller height that is known to less than half of itself might as well be none: 95 % would reach
# the floor. Of a low one so much is little beside what grows in a day.
_LEAST_TELLING_MM = 10.0
# A height that leaves so much more strip on its wrong side than the best weighs a third of it. In
# 63 rendered photos, each saved anew in six ways, readings of one photo lie 2.8 mm apart on average
# (4.1 mm by the best height alone), 6 mm in nine of ten (12 mm), and no farther from the truth.
_RIVAL_MM = 2.0
# Of the sum of seen times hidden over all millimetres. A transition that rises evenly has the width
# of six such sums and would have a standard deviation of 6 / sqrt(12) of them; where in it the
# canopy's height lies is known to about a third of that. A judgement: with it, 51 rendered heights
# miss the middle of the truth's band by 1.15 standard uncertainties, root mean square.
_SPREAD_OF_TRANSITION = 2 / 12**0.5


@dataclass(frozen=True)
class CanopyHeight:
    """Height of the canopy at the strip's end of the tray, above the tray floor.

    Parameters
    ----------
    canopy_height_mm : Measurement
        Root mat included.
    shoot_height_mm : Measurement
        The same less the height of the seed bed, never below 0.
    bed_height_mm : Measurement
        The height of the seed bed that was taken for that.
    doubts : tuple of Doubt
    """

    canopy_height_mm: Measurement
    shoot_height_mm: Measurement
    bed_height_mm: Measurement
    doubts: tuple[Doubt, ...]

    @classmethod
    def unknown(cls, reason: Doubt) -> "CanopyHeight":
        """No height, and why."""
        missing = Measurement.unknown("mm", reason)
        return cls(missing, missing, missing, (reason,))


def measure_canopy_height(
    photo: Photo, pose: TrayPose, *, bed_height_mm: Measurement | None = None
) -> CanopyHeight:
    """Read the canopy height off the strip of one tray.

    Parameters
    ----------
    photo : Photo
    pose : TrayPose
    bed_height_mm : Measurement, optional
        Height of this tray's seed bed above the floor, from the first photos of its run. A
        stated default is assumed, and said so, when it is absent.

    Returns
    -------
    CanopyHeight
        Values are unknown with the reason `GREYSCALE` when the photo has no colour, by which
        white and black are told from shoots, `STRIP_NOT_SEEN` when the strip has no face towards
        the camera, lies outside the photo or is too coarse, `STRIP_UNCLEAR` when its bands
        cannot be recognised at their heights, what hides them is too smooth for a canopy, they go
        on below in a shadow, or the height is so uncertain that it says nothing. It counts from the
        floor of a tray as deep as its size says: what that depth is off, the height is off as well.
    """
    reason = _why_not_readable(photo, pose)
    view = None if reason else _strip_view(photo, pose)
    profile = None if view is None else seen_profile(view)
    if view is None or profile is None:
        return CanopyHeight.unknown(reason or Doubt.STRIP_UNCLEAR)
    height, spread = _change_point(profile)
    if not stands_before(view, height) or bands_go_on(view, height):
        return CanopyHeight.unknown(Doubt.STRIP_UNCLEAR)
    pose_mm = float(np.max(pose.position_uncertainty_mm(_strip_point(pose, height))))
    height, spread = _in_lowest_band(height, spread)
    uncertainty = float(np.hypot(np.hypot(1.0, spread), pose_mm))
    if uncertainty > min(height, max(height / 2, _LEAST_TELLING_MM)):
        return CanopyHeight.unknown(Doubt.STRIP_UNCLEAR)
    canopy = Measurement(height, uncertainty, "mm")
    doubts = [Doubt.HEIGHT_ONE_END]
    if bed_height_mm is None or bed_height_mm.value is None:
        doubts.append(Doubt.BED_HEIGHT_ASSUMED)
        bed_height_mm = ASSUMED_BED_HEIGHT
    assert bed_height_mm.value is not None and bed_height_mm.uncertainty is not None
    shoot = Measurement(
        max(0.0, height - bed_height_mm.value),
        float(np.hypot(uncertainty, bed_height_mm.uncertainty)),
        "mm",
    )
    return CanopyHeight(canopy, shoot, bed_height_mm, tuple(doubts))


def _in_lowest_band(height_mm: float, spread_mm: float) -> tuple[float, float]:
    """Within the lowest band, which is black, its upper half: shade at the bed's foot is as dark.

    Of 319 readings below 10 mm in rendered series, 5 mm on average, nine in ten were of beds 8 to
    13 mm high.
    """
    if height_mm >= STRIP_BAND_MM:
        return height_mm, spread_mm
    return (height_mm + STRIP_BAND_MM) / 2, max(spread_mm, _LOWEST_BAND_SPREAD_MM)


def _strip_point(pose: TrayPose, height_mm: float) -> FloatArray:
    return pose.size.strip_points_mm(np.array([height_mm]), np.array([0.0]))


def _why_not_readable(photo: Photo, pose: TrayPose) -> Doubt | None:
    if Doubt.GREYSCALE in photo.doubts:
        return Doubt.GREYSCALE
    top = STRIP_TOP_MM + pose.size.depth_mm
    heights = np.array([0.0, top / 2, top])
    points = pose.size.strip_points_mm(heights, np.zeros(3))
    sight = pose.camera_position_mm - points[1]
    # The face looks towards -X; seen edge-on, its bands are compressed beyond reading.
    facing = np.degrees(np.arcsin(-sight[0] / np.linalg.norm(sight)))
    if facing < _MIN_FACING_DEG:
        return Doubt.STRIP_NOT_SEEN
    ends = pose.project(points)
    inside = np.all((ends > 0) & (ends < [photo.width, photo.height]), axis=1)
    if not inside[:2].all():
        return Doubt.STRIP_NOT_SEEN
    px_per_mm = np.linalg.norm(ends[2] - ends[0]) / top * photo.scale
    return Doubt.STRIP_NOT_SEEN if px_per_mm < _MIN_PX_PER_MM else None


def _strip_view(photo: Photo, pose: TrayPose) -> Image:
    """(rows, columns, 3) of the strip's face; row 0 at the floor, `PITCH_MM` a pixel."""
    top = int(STRIP_TOP_MM + pose.size.depth_mm)
    heights = (np.arange(int(top / PITCH_MM), dtype=np.float64) + 0.5) * PITCH_MM
    half = STRIP_WIDTH_MM / 2 - _EDGE_MARGIN_MM
    across = np.arange(-half, half + 1e-9, PITCH_MM, dtype=np.float64)
    points = pose.size.strip_points_mm(heights[:, None], across[None, :])
    where = photo.to_working(pose.project(points)).astype(np.float32)
    view = cv2.remap(
        photo.pixels,
        np.ascontiguousarray(where[..., 0]),
        np.ascontiguousarray(where[..., 1]),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
    )
    return cv2.GaussianBlur(view, (3, 3), 0).astype(np.float32)


def _change_point(profile: FloatArray) -> tuple[float, float]:
    """Height in mm below which the strip is hidden and above which it is seen, and its spread.

    The least-squares fit of one step to the profile (Hinkley 1970, Biometrika 57:1) is the height
    that leaves least strip seen below and least hidden above. Where blades thin out slowly, heights
    a centimetre or two apart leave nearly as little, and saving the photo anew moves the least from
    one to another; so it is the mean of all, each weighted by how much more it leaves. The spread
    is a share of the transition's width, that of `_SPREAD_OF_TRANSITION`.
    """
    seen_below = np.concatenate([[0.0], np.cumsum(profile)])
    hidden_above = np.concatenate([np.cumsum((1 - profile)[::-1])[::-1], [0.0]])
    left = seen_below + hidden_above
    weights = np.exp(-(left - left.min()) / _RIVAL_MM)
    height = float(weights @ np.arange(len(weights)) / weights.sum())
    middle = round(height)
    low, high = max(0, middle - 40), min(len(profile), middle + 60)
    mixed = profile[low:high]
    spread = float(np.sum(mixed * (1 - mixed))) * _SPREAD_OF_TRANSITION
    return height, spread
