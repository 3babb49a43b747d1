"""Where the kit's paper and ink lie in a photo: points on its plates, and their pixels."""

from dataclasses import dataclass
from functools import cache
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.colorimetry import LINEAR_OF_LEVEL, LUMINANCE_WEIGHTS
from trayvision.photo.photo import Photo
from trayvision.pose.tray_pose import TrayPose
from trayvision.reference_kit import (
    BAR_WIDTH_MM,
    HEAD_CORNERS,
    HEAD_SLOPE_LENGTH_MM,
    HEAD_TAG_Y_MM,
    HEAD_WIDTH_MM,
    STRIP_TOP_MM,
    TAG_EDGE_MM,
    TAGS_PER_TRAY,
    TraySize,
)
from trayvision.tags.family import tag_cells
from trayvision.tags.reading import ReadTag

FloatArray = npt.NDArray[np.float64]

_GRID_MM: Final = 1.25
_CELL_MM: Final = 20.0
_CHIP_HALF_MM: Final = 20.0
_INK_STEPS: Final = 6
_DEEP: Final = 0.8


@dataclass(frozen=True, eq=False)
class Plate:
    """Sample points on the white of one flat plate of the kit.

    Parameters
    ----------
    points_mm : (n, 3) float array
        In the tray frame, clear of every edge.
    cell : (n,) int array
        Which cell of about 20 mm each point lies in.
    corner : (n,) int array
        The corner of the tag whose paper it is, -1 on the bar between.
    on_head : bool
        Whether the plate is the strip's head, which leans towards the lamps.
    """

    points_mm: FloatArray
    cell: npt.NDArray[np.int_]
    corner: npt.NDArray[np.int_]
    on_head: bool


def edge_margin_mm(pose: TrayPose) -> float:
    """Distance from every edge of the white at which neither blur nor pose error reaches it."""
    edges = [
        float(np.linalg.norm(np.diff(tag.corners_px, axis=0), axis=1).mean()) for tag in pose.tags
    ]
    mm_per_px = TAG_EDGE_MM / max(edges) if edges else 1.0
    return min(1.0 + mm_per_px, 2.4)


def bar_plate(size: TraySize, side: int, margin: float) -> Plate:
    """White of end bar A (`side` -1) or B (+1), `margin` mm clear of every edge."""
    half_x, half_y = BAR_WIDTH_MM / 2 - margin, size.width_mm / 2 - margin
    a, b = np.meshgrid(
        np.arange(-half_x, half_x, _GRID_MM), np.arange(-half_y, half_y, _GRID_MM), indexing="ij"
    )
    a, b = a.ravel(), b.ravel()
    chip_y = size.width_mm / 2 - _CHIP_HALF_MM
    white = np.maximum(abs(a), abs(abs(b) - chip_y)) > TAG_EDGE_MM / 2 + margin
    a, b = a[white], b[white]
    corners = ((1, 0), (2, 3))[side > 0]
    chip = abs(b) > chip_y - _CHIP_HALF_MM
    points = np.stack([side * (size.length_mm / 2 + BAR_WIDTH_MM / 2) + a, b, 0 * a], axis=1)
    return Plate(
        points,
        _cell_index(a, b),
        np.where(chip, np.where(b > 0, corners[1], corners[0]), -1),
        False,
    )


def head_plate(size: TraySize, margin: float) -> Plate:
    """White of the height strip's head, `margin` mm clear of every edge."""
    half_y = HEAD_WIDTH_MM / 2 - margin
    slope = np.arange(margin, HEAD_SLOPE_LENGTH_MM - margin, _GRID_MM)
    s, y = np.meshgrid(slope, np.arange(-half_y, half_y, _GRID_MM), indexing="ij")
    s, y = s.ravel(), y.ravel()
    from_tag = np.maximum(abs(s - HEAD_SLOPE_LENGTH_MM / 2), abs(abs(y) - HEAD_TAG_Y_MM))
    white = from_tag > TAG_EDGE_MM / 2 + margin
    s, y = s[white], y[white]
    up = s / np.sqrt(2)
    points = np.stack([size.length_mm / 2 + up, y, STRIP_TOP_MM + up], axis=1)
    return Plate(points, _cell_index(s, y), np.where(y > 0, *HEAD_CORNERS), True)


def _cell_index(a: FloatArray, b: FloatArray) -> npt.NDArray[np.int_]:
    rows = np.floor(b / _CELL_MM).astype(int)
    return np.asarray((rows - rows.min()) * 2 + (a > a.mean()))


def sample_levels(
    photo: Photo, pose: TrayPose, points_mm: FloatArray
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.bool_]]:
    """(n, 3) nearest working pixels of tray points, and which of them lie in the photo."""
    at = np.rint(photo.to_working(pose.project(points_mm)))
    rows, columns = photo.pixels.shape[:2]
    inside = (at >= 0).all(axis=1) & (at[:, 0] < columns) & (at[:, 1] < rows)
    at = np.where(inside[:, None], at, 0).astype(int)
    return photo.pixels[at[:, 1], at[:, 0]], inside


def tag_black(photo: Photo, pose: TrayPose) -> FloatArray | None:
    """Linear RGB of the black of the darkest tag that was read, or None when no tag was.

    The darkest tag is used because gloss, and haze close to a lamp, lighten single tags.
    """
    blacks = [
        LINEAR_OF_LEVEL[levels].mean(axis=0)
        for tag in pose.tags
        if len(levels := _ink_levels(photo, pose, tag)) > 0
    ]
    if not blacks:
        return None
    return np.asarray(min(blacks, key=lambda black: float(black @ LUMINANCE_WEIGHTS)))


def _ink_levels(photo: Photo, pose: TrayPose, tag: ReadTag) -> npt.NDArray[np.uint8]:
    """Levels where a tag's black lies farthest from its white; the darker half of them.

    Blur carries white over the border: from the middle of the black it is farther away.
    """
    corners = pose.size.tag_corners_mm(tag.id % TAGS_PER_TRAY)
    down, right = _deepest_ink(tag.id).T[..., None]
    points = corners[0] + right * (corners[1] - corners[0]) + down * (corners[3] - corners[0])
    levels, inside = sample_levels(photo, pose, points)
    levels = levels[inside]
    order = np.argsort(levels.sum(axis=1), kind="stable")
    return levels[order[: (len(order) + 1) // 2]]


@cache
def _deepest_ink(tag: int) -> FloatArray:
    """(n, 2) places in the tag, down and right from its corner as shares of its edge."""
    fine = np.kron(~tag_cells(tag), np.ones((_INK_STEPS, _INK_STEPS), dtype=bool))
    padded = np.pad(fine, 1).astype(np.uint8)
    depth = np.asarray(cv2.distanceTransform(padded, cv2.DIST_L2, cv2.DIST_MASK_PRECISE))
    deepest = np.argwhere(depth[1:-1, 1:-1] >= _DEEP * depth.max())
    return np.asarray((deepest + 0.5) / fine.shape[0])
