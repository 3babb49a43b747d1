"""Tags of the reference kit as they are read in a photo."""

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.photo import Photo
from trayvision.reference_kit import tray_and_corner

FloatArray = npt.NDArray[np.float64]
GreyImage = npt.NDArray[np.uint8]

# One window of the adaptive threshold finds as many tags as three and takes half the time.
THRESHOLD_WINDOW_PX = 23


@dataclass(frozen=True, eq=False)
class ReadTag:
    """One tag as read in a photo.

    Parameters
    ----------
    id : int
        Number in the family tag36h11.
    corners_px : (4, 2) array
        Upright full-size px, as printed: up-left, up-right, down-right, down-left.
    corner_sigma_px : float
        Standard uncertainty of each coordinate in full-size px.
    """

    id: int
    corners_px: FloatArray
    corner_sigma_px: float

    @property
    def tray_number(self) -> int:
        """Number of the tray that the tag is printed for."""
        return tray_and_corner(self.id)[0]

    @property
    def corner(self) -> int:
        """Place of the tag on its tray, 0 to 5."""
        return tray_and_corner(self.id)[1]

    @property
    def edge_px(self) -> float:
        """Mean length of the four edges in full-size px."""
        sides = self.corners_px - np.roll(self.corners_px, 1, axis=0)
        return float(np.linalg.norm(sides, axis=1).mean())


@cache
def _detector() -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = THRESHOLD_WINDOW_PX
    parameters.adaptiveThreshWinSizeMax = THRESHOLD_WINDOW_PX
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    return cv2.aruco.ArucoDetector(family, parameters)


def read_tags(photo: Photo, grey: GreyImage) -> tuple[ReadTag, ...]:
    """Tags that the plain detector reads in `grey`, the photo's working pixels in grey."""
    quads, ids, _ = _detector().detectMarkers(grey)
    if ids is None:
        return ()
    return tuple(
        ReadTag(int(tag), photo.to_full(quad.reshape(4, 2).astype(np.float64)), 0.5 / photo.scale)
        for quad, tag in zip(quads, ids.ravel(), strict=True)
    )
