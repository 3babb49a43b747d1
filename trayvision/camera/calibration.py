"""Intrinsics of a camera from several photos of the kit's ChArUco sheet."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.camera.camera import Camera, CameraSource
from trayvision.photo.photo import Photo
from trayvision.quality_flags import PhotoProblem
from trayvision.reference_kit import CHARUCO_SHEET

FloatArray = npt.NDArray[np.float64]

LEAST_PHOTOS = 6
LEAST_CORNERS = 12
# Corners must fill so many of the photo's 4 x 4 fields, all photos together: lens
# distortion grows towards the rim and is guesswork where no corner was.
COVERAGE_GRID = 4
LEAST_FIELDS = 11
GREATEST_FOCAL_UNCERTAINTY = 0.01
# A creased or stretched sheet and photos of several zooms fit no one lens. Drawn sheets, read as
# they come, leave 0.13e-3 of the long side; two zooms 10 % apart 0.42e-3, a bend of 3 px 0.47e-3.
GREATEST_RMS_PER_WIDTH = 0.4e-3
# Pixels are square to far less; a sheet printed 3 % too long shows 2.2 %, a flat one 0.4 %.
GREATEST_FOCAL_DIFFERENCE = 0.01
# Records of one lens at one zoom agree to the millimetre they are rounded to.
GREATEST_ZOOM = 1.05


@dataclass(frozen=True)
class Calibration:
    """A measured camera, in full-size px, with what speaks for it.

    `rms_px` is the root mean square reprojection error, `views` the number of photos used,
    `unread` the names of photos in which too little of the sheet was found.
    """

    camera: Camera
    rms_px: float
    views: int
    unread: tuple[str, ...]


def calibrate(photos: Sequence[Photo]) -> Calibration:
    """Camera matrix and five distortion coefficients (Zhang 2000, as OpenCV implements it).

    Parameters
    ----------
    photos : sequence of Photo
        At least six of the sheet, filling the picture, from the front and slanted, all of
        one camera, zoom and size.

    Raises
    ------
    ValueError
        If there are fewer than six photos, their sizes differ, or their records name focal
        lengths more than 5 % apart.
    PhotoProblem
        If too few show the sheet, if they leave too much of the picture empty or are too
        alike to tell the focal length, or if no one lens shows a flat sheet so.
    """
    if len(photos) < LEAST_PHOTOS:
        raise ValueError(f"photos must be at least {LEAST_PHOTOS} of the sheet, got {len(photos)}")
    sizes = {(photo.width, photo.height) for photo in photos}
    if len(sizes) != 1:
        listed = ", ".join(f"{width} x {height}" for width, height in sorted(sizes))
        raise ValueError(f"photos must all have one upright size, got {listed} px")
    recorded = [one.focal_length_px for one in photos if one.focal_length_px is not None]
    if recorded and max(recorded) > GREATEST_ZOOM * min(recorded):
        raise ValueError(
            f"photos must all be of one zoom, and their records name focal lengths from "
            f"{min(recorded):.0f} to {max(recorded):.0f} px"
        )
    views, unread = [], []
    for photo in photos:
        view = find_sheet(photo)
        if view is None:
            unread.append(photo.name)
        else:
            views.append(view)
    if len(views) < LEAST_PHOTOS:
        raise PhotoProblem(
            f"{LEAST_PHOTOS} photos must show at least {LEAST_CORNERS} corners of the "
            f"calibration sheet, and {len(views)} do (not: {', '.join(unread)})"
        )
    return _calibrated(views, sizes.pop(), tuple(unread))


@cache
def sheet_board() -> cv2.aruco.CharucoBoard:
    """The kit's calibration sheet as OpenCV takes it, in mm."""
    sheet = CHARUCO_SHEET
    markers = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, sheet.dictionary))
    return cv2.aruco.CharucoBoard(
        (sheet.columns, sheet.rows), sheet.square_mm, sheet.marker_mm, markers
    )


def find_sheet(photo: Photo) -> tuple[FloatArray, FloatArray] | None:
    """Sheet corners (n, 3) in mm and (n, 2) in full-size px, or None when fewer than twelve."""
    grey = cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(sheet_board()).detectBoard(grey)
    # OpenCV gives None for no corner at all, which ravels to one entry.
    indices = np.ravel(ids)
    if indices.size < LEAST_CORNERS:
        return None
    in_mm = np.asarray(sheet_board().getChessboardCorners(), dtype=np.float64)[indices]
    return in_mm, photo.to_full(np.reshape(corners, (-1, 2)))


def _calibrated(
    views: Sequence[tuple[FloatArray, FloatArray]], size: tuple[int, int], unread: tuple[str, ...]
) -> Calibration:
    _require_coverage(np.concatenate([pixels for _, pixels in views]), size)
    rms, matrix, coefficients, _, _, deviations, _, _ = cv2.calibrateCameraExtended(
        [in_mm.astype(np.float32) for in_mm, _ in views],
        [pixels.astype(np.float32) for _, pixels in views],
        size,
        np.eye(3),
        np.zeros(5),
    )
    fx, fy = float(matrix[0, 0]), float(matrix[1, 1])
    uncertainty = float(max(deviations[0, 0] / fx, deviations[1, 0] / fy))
    if not uncertainty <= GREATEST_FOCAL_UNCERTAINTY:
        raise PhotoProblem(
            f"the photos of the sheet are too alike: the focal length must come out to "
            f"{GREATEST_FOCAL_UNCERTAINTY:.0%} and is uncertain by {uncertainty:.1%}; "
            f"take some slanted by 30 degrees and more, towards each side"
        )
    if rms > GREATEST_RMS_PER_WIDTH * max(size):
        raise PhotoProblem(
            f"the corners of the sheet miss the fitted lens by {rms:.2f} px (at most "
            f"{GREATEST_RMS_PER_WIDTH * max(size):.2f}): lay it flat, hold the camera still and "
            f"do not zoom between the photos"
        )
    if abs(fx / fy - 1) > GREATEST_FOCAL_DIFFERENCE:
        raise PhotoProblem(
            f"the focal length comes out as {fx:.1f} px across and {fy:.1f} px down and must agree "
            f"to {GREATEST_FOCAL_DIFFERENCE:.0%}: measure whether the sheet was printed stretched"
        )
    camera = Camera(
        *size,
        fx,
        fy,
        float(matrix[0, 2]),
        float(matrix[1, 2]),
        tuple(float(k) for k in np.ravel(coefficients)[:5]),
        CameraSource.KNOWN,
        max(uncertainty, 1e-4),
        float(max(deviations[2, 0], deviations[3, 0], 0.01)),
    )
    broken = camera.impossible
    if broken is not None:
        raise PhotoProblem(
            f"the photos of the sheet give no lens that can be: {broken}; lay it flat, move it "
            f"into every corner and do not zoom between the photos"
        )
    return Calibration(camera, float(rms), len(views), unread)


def _require_coverage(pixels: FloatArray, size: tuple[int, int]) -> None:
    share = (pixels + 0.5) / np.array(size)
    fields = np.unique(np.clip((share * COVERAGE_GRID).astype(int), 0, COVERAGE_GRID - 1), axis=0)
    if len(fields) < LEAST_FIELDS:
        raise PhotoProblem(
            f"the sheet was seen in {len(fields)} of {COVERAGE_GRID**2} fields of the picture "
            f"and must be in {LEAST_FIELDS}: move it into every corner"
        )
