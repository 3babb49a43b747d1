"""Canopy height, read where the canopy hides the height strip.

The strip's own plane is rectified, so that its bands lie in rows of known height. Going down
from the top, each band's level is followed (the light changes at the rim and towards the
floor), and every pixel is asked whether it still looks like the strip. The height at which the
strip as a whole gives way to the canopy is the change point of that profile, which a single
blade across the strip, a glint or a missing band does not move.
"""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.bed_height import ASSUMED_BED_HEIGHT
from trayvision.measurement import Measurement
from trayvision.photo import Photo
from trayvision.quality_flags import Doubt
from trayvision.reference_kit import STRIP_BAND_MM, STRIP_TOP_MM, STRIP_WIDTH_MM
from trayvision.tray_pose import TrayPose

FloatArray = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]

_PITCH_MM = 0.5
_EDGE_MARGIN_MM = 3.0
# Below these the strip's bands melt into each other (10 mm bands need 4 px to show a level).
_MIN_PX_PER_MM = 0.35
_MIN_FACING_DEG = 12.0
# Share of the white-to-black contrast by which a strip pixel may miss its band's level.
_LEVEL_TOLERANCE = 0.36
# Chroma, of colours divided by the strip's own white, beyond which a pixel is no paper. Light
# that has passed through blades tints the paper green, so green is judged less strictly than
# the straw and root colours of the bed.
_GREEN_TOLERANCE = 0.20
_STRAW_TOLERANCE = 0.05
_LEAST_CONTRAST = 12.0
_FOLLOWING_SLACK = 1.5
_FOLLOWED_SHARE = 0.8


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
    visible_profile : (n,) float array
        Share of the strip's width seen in each 1 mm of height from the floor up; empty when
        the strip was not read.
    doubts : tuple of Doubt
    """

    canopy_height_mm: Measurement
    shoot_height_mm: Measurement
    bed_height_mm: Measurement
    visible_profile: FloatArray
    doubts: tuple[Doubt, ...]

    @classmethod
    def unknown(cls, reason: Doubt) -> "CanopyHeight":
        """No height, and why."""
        missing = Measurement.unknown("mm", reason)
        return cls(missing, missing, missing, np.empty(0), (reason,))


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
        Values are unknown with the reason `STRIP_NOT_SEEN` when the strip has no face towards
        the camera, lies outside the photo or is too coarse, `STRIP_UNCLEAR` when its bands
        cannot be recognised.
    """
    reason = _why_not_readable(photo, pose)
    view = None if reason else _strip_view(photo, pose)
    seen = None if view is None else _seen_pixels(view)
    if seen is None:
        return CanopyHeight.unknown(reason or Doubt.STRIP_UNCLEAR)
    profile = seen.mean(axis=1).reshape(-1, round(1 / _PITCH_MM)).mean(axis=1)
    if profile[-40:].mean() < 0.4:
        return CanopyHeight.unknown(Doubt.STRIP_UNCLEAR)
    height, spread = _change_point(profile)
    pose_mm = float(np.max(pose.position_uncertainty_mm(_strip_point(pose, height))))
    uncertainty = float(np.hypot(np.hypot(1.0, spread), pose_mm))
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
    return CanopyHeight(canopy, shoot, bed_height_mm, profile, tuple(doubts))


def _strip_point(pose: TrayPose, height_mm: float) -> FloatArray:
    return pose.size.strip_points_mm(np.array([height_mm]), np.array([0.0]))


def _why_not_readable(photo: Photo, pose: TrayPose) -> Doubt | None:
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
    """(rows, columns, 3) of the strip's face; row 0 at the floor, `_PITCH_MM` a pixel."""
    top = int(STRIP_TOP_MM + pose.size.depth_mm)
    heights = (np.arange(int(top / _PITCH_MM), dtype=np.float64) + 0.5) * _PITCH_MM
    half = STRIP_WIDTH_MM / 2 - _EDGE_MARGIN_MM
    across = np.arange(-half, half + 1e-9, _PITCH_MM, dtype=np.float64)
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


def _seen_pixels(view: Image) -> npt.NDArray[np.bool_] | None:
    """Which pixels of the rectified strip show the strip itself; None if it has no bands."""
    band_rows = round(STRIP_BAND_MM / _PITCH_MM)
    bands = view.shape[0] // band_rows
    shape = (bands, band_rows, view.shape[1], 3)
    # Channel by channel: numpy is slow along a last axis of three.
    cells = np.ascontiguousarray(view[: bands * band_rows].reshape(shape).transpose(0, 3, 1, 2))
    inner = cells[:, :, 4:-4]
    top = range(bands - 8, bands)
    middle = {band: _median_colour(inner[band].reshape(3, -1)) for band in top}
    paper = _Paper(
        *(
            np.median([middle[band] for band in top if band % 2 == odd], axis=0)[:, None, None]
            for odd in (1, 0)
        )
    )
    if paper.contrast < _LEAST_CONTRAST:
        return None
    # The clear upper bands show how far noise alone carries paper from its own colour.
    upper = [paper.chroma_from(inner[band], band % 2 == 1) for band in top]
    noise = float(np.percentile(np.stack(upper), 90))
    full = np.empty(view.shape[:2], dtype=bool)
    seen = full[: bands * band_rows].reshape(shape[:3])
    for band in range(bands - 1, -1, -1):
        is_white = band % 2 == 1
        paper = paper.followed(inner[band], is_white, noise)
        seen[band] = paper.shows(cells[band], is_white, noise)
    full[bands * band_rows :] = full[bands * band_rows - 1]
    return full


def _median_colour(pixels: Image) -> Image:
    """(3,) median of (3, n), the upper one of an even count."""
    middle = pixels.shape[1] // 2
    return np.asarray(np.partition(pixels, middle, axis=1)[:, middle])


def _chroma(difference: Image) -> Image:
    red, green, blue = difference
    low, high = np.minimum(red, green), np.maximum(red, green)
    return np.asarray(np.maximum(high, blue) - np.minimum(low, blue))


@dataclass(frozen=True, eq=False)
class _Paper:
    """RGB (3, 1, 1) of the strip's white and black at one height; pixels are (3, h, w)."""

    white: Image
    black: Image

    @property
    def contrast(self) -> float:
        return float(np.mean(self.white - self.black))

    def _relative(self, pixels: Image, is_white: bool) -> Image:
        """Difference from the band's colour in shares of the contrast, channel by channel."""
        ink = self.white if is_white else self.black
        return np.asarray((pixels - ink) * (1 / np.maximum(self.white - self.black, 8)))

    def chroma_from(self, pixels: Image, is_white: bool) -> Image:
        return _chroma(self._relative(pixels, is_white))

    def shows(
        self, pixels: Image, is_white: bool, noise: float, slack: float = 1.0
    ) -> npt.NDArray[np.bool_]:
        """Which pixels are this paper's colour."""
        difference = self._relative(pixels, is_white)
        red, green, blue = difference
        greenish = (green >= red) & (green > blue)
        straw, leaf = (slack * (limit + noise) for limit in (_STRAW_TOLERANCE, _GREEN_TOLERANCE))
        chroma = _chroma(difference)
        level = np.abs(red + green + blue)
        return np.asarray(
            (level < 3 * _LEVEL_TOLERANCE * slack)
            & ((chroma < straw) | (greenish & (chroma < leaf)))
        )

    def followed(self, pixels: Image, is_white: bool, noise: float) -> "_Paper":
        """The paper as the next band shows it, if most of the band shows it at all.

        Gloss, the rim's shadow and light from coloured walls change it from band to band; a
        canopy that is no more like the paper than that would be followed too, so a step is
        kept small, and never brings white and black together.
        """
        like = self.shows(pixels, is_white, noise, _FOLLOWING_SLACK)
        if like.mean() < _FOLLOWED_SHARE:
            return self
        colour = _median_colour(pixels[:, like])[:, None, None]
        moved = _Paper(colour, self.black) if is_white else _Paper(self.white, colour)
        return moved if moved.contrast > _LEAST_CONTRAST else self


def _change_point(profile: FloatArray) -> tuple[float, float]:
    """Height in mm below which the strip is hidden and above which it is seen, and its spread.

    The least-squares fit of one step to the profile (Hinkley 1970, Biometrika 57:1): the
    height that leaves least strip seen below and least hidden above. The spread is the
    standard deviation of the transition, as if the profile were its cumulative distribution.
    """
    smooth = np.clip(profile / max(float(np.median(profile[-60:])), 0.5), 0, 1)
    seen_below = np.concatenate([[0.0], np.cumsum(smooth)])
    hidden_above = np.concatenate([np.cumsum((1 - smooth)[::-1])[::-1], [0.0]])
    height = int(np.argmin(seen_below + hidden_above))
    low, high = max(0, height - 40), min(len(smooth), height + 60)
    mixed = smooth[low:high]
    spread = float(np.sum(mixed * (1 - mixed))) * 2 / np.sqrt(12)
    return float(height), spread
