"""The class of every pixel of a photo, as `--masks` writes it."""

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.inspection.inspection import Inspection, TrayInspection
from trayvision.photo.photo import Photo
from trayvision.segmentation.pixel_classes import CLASS_COUNT, TrayClass
from trayvision.segmentation.tray_plan import judgeable


def class_mask(inspection: Inspection) -> npt.NDArray[np.uint8]:
    """Class of each upright full-size pixel.

    Parameters
    ----------
    inspection : Inspection

    Returns
    -------
    (height, width) uint8 array
        0 outside the opening, else the `TrayClass`: 1 bare tray, 2 seed bed and roots,
        3 shoots, 4 possible mould, 5 kit, 6 slime, 255 cannot tell.
    """
    photo = inspection.photo
    mask = np.zeros((photo.height, photo.width), dtype=np.uint8)
    for tray in inspection.trays:
        _paint(mask, photo, tray)
    return mask


def _paint(mask: npt.NDArray[np.uint8], photo: Photo, tray: TrayInspection) -> None:
    segmented = tray.segmented
    rows, columns = segmented.shape
    corners = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]]) - 0.5
    to_crop = segmented.photo_to_crop
    ends = np.linalg.solve(to_crop[:, :2], (corners - to_crop[:, 2]).T).T
    left, top = np.clip(np.ceil(ends.min(axis=0)), 0, None).astype(int)
    end = np.floor(ends.max(axis=0)).astype(int) + 1
    right, bottom = min(photo.width, int(end[0])), min(photo.height, int(end[1]))
    shifted = to_crop.copy()
    shifted[:, 2] += to_crop[:, :2] @ [left, top]
    size = (right - left, bottom - top)
    best = np.zeros(size[::-1], dtype=np.float32)
    classes = np.zeros(size[::-1], dtype=np.uint8)
    # Class by class, so that a 60-megapixel mask never holds seven planes of shares at once.
    for index in range(CLASS_COUNT):
        at_photo = cv2.warpAffine(
            segmented.share(TrayClass(index)),
            shifted,
            size,
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        better = at_photo > best
        classes[better] = index
        best[better] = at_photo[better]
    clear = judgeable(segmented.pixels, segmented.share(TrayClass.OUTSIDE)).astype(np.uint8)
    clear_at_photo = cv2.warpAffine(
        clear,
        shifted,
        size,
        flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    classes[clear_at_photo == 0] = TrayClass.CANNOT_TELL
    region = mask[top:bottom, left:right]
    inside = np.ones(region.shape, dtype=bool)
    if tray.pose is not None:
        outline = tray.pose.project(_rim(tray)) - [left, top]
        polygon = np.zeros(region.shape, dtype=np.uint8)
        cv2.fillPoly(polygon, [np.rint(outline * 16).astype(np.int32)], 1, shift=4)
        inside = polygon > 0
        # An occluder inside the opening is no "outside": what lies under it cannot be told.
        classes[classes == TrayClass.OUTSIDE] = TrayClass.CANNOT_TELL
    region[inside] = classes[inside]


def _rim(tray: TrayInspection) -> npt.NDArray[np.float64]:
    """Points along the opening's edge; with a lens model its sides are not straight."""
    assert tray.pose is not None
    corners = tray.pose.size.opening_mm
    along = np.linspace(0, 1, 12, endpoint=False)[:, None]
    sides = [corners[i] + (corners[(i + 1) % 4] - corners[i]) * along for i in range(len(corners))]
    return np.concatenate(sides)
