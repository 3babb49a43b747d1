"""Where the camera stood before a tray that somebody marked, as far as four taps tell."""

from typing import Final

import numpy as np

from trayvision.camera.camera import Camera
from trayvision.photo.photo import Photo
from trayvision.pose.fit import TagPoints, fit_pose
from trayvision.pose.marked_tray import TAP_SHARE, MarkedTray
from trayvision.pose.tray_pose import TrayPose
from trayvision.quality_flags import Doubt, PhotoProblem

_LEAST_AREA_SHARE: Final = 0.01
_NO_NUMBER: Final = -1


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
