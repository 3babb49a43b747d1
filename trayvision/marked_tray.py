"""A tray without a kit, whose opening somebody marked on the photo by its four corners."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from trayvision.camera import Camera
from trayvision.photo import Photo
from trayvision.pose_fit import TagPoints, fit_pose
from trayvision.quality_flags import Doubt, PhotoProblem
from trayvision.reference_kit import TraySize
from trayvision.tray_pose import TrayPose

FloatArray = npt.NDArray[np.float64]
Corner = tuple[float, float]
Corners = tuple[Corner, Corner, Corner, Corner]

CORNER_NAMES: Final = ("near_left", "near_right", "far_right", "far_left")
# A finger on a phone's screen: one standard deviation, as a share of the photo's long side.
TAP_SHARE: Final = 0.005
_LEAST_AREA_SHARE: Final = 0.01
_NO_NUMBER: Final = -1


@dataclass(frozen=True)
class MarkedTray:
    """Corners of a tray's opening on a photo, and the inner size that somebody typed.

    Parameters
    ----------
    corners_px : four (x, y)
        Inner corners of the rim in px of the upright full-size photo: near left, near right,
        far right, far left, as the photographer stood.
    size : TraySize
        Inner size; which side is the near one is told from the corners.
    number : int or None
        Tray number that somebody gave.

    Raises
    ------
    ValueError
        If the corners do not go round a convex opening in that order.
    """

    corners_px: Corners
    size: TraySize
    number: int | None = None

    def __post_init__(self) -> None:
        points = np.array(self.corners_px, dtype=np.float64)
        if points.shape != (4, 2) or not np.isfinite(points).all():
            raise ValueError(f"corners_px must be four points (x, y), got {self.corners_px!r}")
        sides = np.roll(points, -1, axis=0) - points
        following = np.roll(sides, -1, axis=0)
        # y runs down: walking round as named, every turn is to the left.
        turns = sides[:, 0] * following[:, 1] - sides[:, 1] * following[:, 0]
        if not (turns < 0).all():
            raise ValueError(
                "corners_px must go round the tray: near left, near right, far right, far left, "
                f"got {self.corners_px!r}"
            )

    @property
    def laid_size(self) -> TraySize:
        """The size with its length along the near side.

        The longer pair of sides on the photo is taken for the tray's longer side: true up to a
        slant that shortens one side more than the tray's own proportions.
        """
        points = np.array(self.corners_px)
        near, right, far, left = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
        long, short = sorted((self.size.length_mm, self.size.width_mm), reverse=True)
        if near + far < left + right:
            long, short = short, long
        return TraySize(long, short, self.size.depth_mm)

    @property
    def area_px(self) -> float:
        """Area of the marked opening on the photo."""
        x, y = np.array(self.corners_px).T
        return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2)

    def edge_share(self, photo: Photo) -> float:
        """Standard uncertainty of the opening's area, as a share of it, from the taps.

        A side moves by the mean of its two ends' errors across it; sides add in quadrature.
        """
        points = np.array(self.corners_px)
        sides = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
        across_px = _tap_px(photo) / 2**0.5
        return float(np.linalg.norm(sides) * across_px / self.area_px)


def place_marked(photo: Photo, marked: MarkedTray, camera: Camera | None = None) -> TrayPose:
    """Pose of a marked tray: of the camera before it, as far as four taps tell.

    Parameters
    ----------
    photo : Photo
    marked : MarkedTray
    camera : Camera, optional
        Known intrinsics; else the photo's own focal length or a typical one, refined.

    Returns
    -------
    TrayPose
        Resting on no tags, its number that of `marked` or -1.

    Raises
    ------
    PhotoProblem
        If the corners lie outside the photo, are too close, or fit no tray in front of a camera.
    """
    points = np.array(marked.corners_px, dtype=np.float64)
    if (points < -0.5).any() or (points > [photo.width - 0.5, photo.height - 0.5]).any():
        raise _problem(photo, "the marked corners must lie on the photo")
    if marked.area_px < _LEAST_AREA_SHARE * photo.width * photo.height:
        raise _problem(photo, "the marked corners lie too close together")
    size = marked.laid_size
    if camera is None:
        known = Camera.typical(photo.width, photo.height, focal_px=photo.focal_length_px)
    else:
        known = camera.scaled_to(photo.width, photo.height)
    taps = TagPoints(size.opening_mm[None], points[None], np.array([_tap_px(photo)]))
    # A plane has a mirror twin; the camera that looks from above the rim is meant.
    above = [fit for fit in fit_pose(taps, known) if fit.camera_position_mm[2] > 0]
    if not above:
        raise _problem(photo, "the marked corners fit no tray seen from above")
    fit = above[0]
    return TrayPose(
        _NO_NUMBER if marked.number is None else marked.number,
        size,
        fit.camera,
        fit.rotation,
        fit.translation_mm,
        (),
        fit.rms_px,
        fit.covariance[:6, :6],
        (Doubt.CORNERS_BY_HAND, Doubt.NO_KIT),
        fit.covariance[:, 6:],
    )


def _tap_px(photo: Photo) -> float:
    return TAP_SHARE * max(photo.width, photo.height)


def _problem(photo: Photo, rule: str) -> PhotoProblem:
    return PhotoProblem(f"{photo.name}: {rule}.", (Doubt.CORNERS_BY_HAND,))
