"""Finds the trays in a photo: tags, grouped by number, to poses."""

from collections import defaultdict
from collections.abc import Sequence

import cv2
import numpy as np

from trayvision.camera import Camera, CameraSource
from trayvision.photo import Photo
from trayvision.quality_flags import Doubt
from trayvision.reference_kit import LAST_TRAY_NUMBER, TraySize
from trayvision.tag_reading import ReadTag, read_tags
from trayvision.tray_grouping import PlacedTags, contradiction, largest_agreement
from trayvision.tray_pose import TrayPose, TrayProblem, TraysFound

__all__ = ["ReadTag", "TrayPose", "TrayProblem", "TraysFound", "find_trays"]


def find_trays(
    photo: Photo,
    *,
    size: TraySize,
    camera: Camera | None = None,
    earlier: Sequence[TrayPose] = (),
) -> TraysFound:
    """Trays whose tags are read in a photo, each with its pose.

    Parameters
    ----------
    photo : Photo
        Upright photo.
    size : TraySize
        Inner size of the trays.
    camera : Camera, optional
        Known intrinsics, of any size of the same aspect ratio. Without it the photo's EXIF
        focal length is the start, else a typical one; either is refined with the pose.
    earlier : sequence of TrayPose
        Poses from earlier photos of the same fixed camera.

    Raises
    ------
    PhotoProblem
        If the photo is mirrored.
    ValueError
        If `camera` belongs to another aspect ratio.
    """
    used = _camera_for(photo, camera)
    grey = cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY)
    by_number: dict[int, list[ReadTag]] = defaultdict(list)
    for tag in read_tags(photo, np.asarray(grey, dtype=np.uint8)):
        by_number[tag.tray_number].append(tag)
    if not by_number:
        problem = TrayProblem(None, (Doubt.NO_TAGS,), Doubt.NO_TAGS.sentence)
        return TraysFound((), (problem,))
    poses, problems = [], []
    for number in sorted(number for number in by_number if number <= LAST_TRAY_NUMBER):
        placed = largest_agreement(by_number[number], size, used)
        if placed is None:
            problems.append(TrayProblem(number, *contradiction(number, by_number[number])))
        else:
            poses.append(_pose(number, placed, size, used))
    return TraysFound(tuple(poses), tuple(problems))


def _camera_for(photo: Photo, camera: Camera | None) -> Camera:
    if camera is not None:
        return camera.scaled_to(photo.width, photo.height)
    return Camera.typical(photo.width, photo.height, focal_px=photo.focal_length_px)


def _pose(number: int, placed: PlacedTags, size: TraySize, camera: Camera) -> TrayPose:
    fit = placed.fit
    # More misfit than the corners' own sigma explains is the mounting's: it widens all alike.
    freedom = max(fit.residuals_px.size - 6, 1)
    covariance = fit.covariance * max(1.0, fit.cost / freedom)
    return TrayPose(
        number,
        size,
        camera.with_focal_factor(float(np.exp(fit.log_focal)), float(covariance[6, 6]) ** 0.5),
        fit.rotation,
        fit.translation_mm,
        placed.tags,
        fit.rms_px,
        covariance[:6, :6],
        _doubts(placed.tags, camera),
        covariance[6],
    )


def _doubts(tags: Sequence[ReadTag], camera: Camera) -> tuple[Doubt, ...]:
    doubts = []
    if camera.source is CameraSource.ESTIMATED:
        doubts.append(Doubt.FOCAL_LENGTH_ESTIMATED)
    if camera.source is CameraSource.EXIF:
        doubts.append(Doubt.FOCAL_LENGTH_FROM_EXIF)
    near_end = {tag.corner in (0, 1) for tag in tags}
    if len(near_end) == 1:
        doubts.append(Doubt.FAR_END_LESS_EXACT)
    return tuple(doubts)
