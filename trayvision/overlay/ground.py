"""The part of a photo that an overlay is drawn on, and where things of a tray lie on it."""

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.inspection.inspection import Inspection, TrayInspection
from trayvision.photo.photo import Photo
from trayvision.reference_kit import HEAD_CORNERS, RIM_CORNERS

FloatArray = npt.NDArray[np.float64]
Picture = npt.NDArray[np.uint8]

LARGEST_SIDE_PX: Final = 1600
SMALLEST_SIDE_PX: Final = 1000
VISIBLE_STEP_PX: Final = 4
_MARGIN_SHARE: Final = 0.07


@dataclass(frozen=True)
class Ground:
    """The part of the photo that is shown, and where things of a tray lie on it.

    `box` is left, top, right, bottom in working px; `scale` overlay px a working px.
    """

    photo: Photo
    box: tuple[int, int, int, int]
    scale: float

    @classmethod
    def of(cls, inspection: Inspection) -> "Ground":
        """Where an inspection is drawn."""
        photo = inspection.photo
        box = _part_worth_showing(inspection)
        left, top, right, bottom = box
        long_side = max(right - left, bottom - top)
        shown = int(np.clip(long_side, SMALLEST_SIDE_PX, LARGEST_SIDE_PX))
        return cls(photo, box, shown / long_side)

    @property
    def size(self) -> tuple[int, int]:
        """(width, height) px of the picture."""
        left, top, right, bottom = self.box
        return round((right - left) * self.scale), round((bottom - top) * self.scale)

    @property
    def pen_px(self) -> float:
        """Width of a fine line: a little over a pixel on a phone 390 px wide."""
        return self.size[0] / 340

    def picture(self) -> Picture:
        """(h, w, 3) uint8 the photo at this size."""
        left, top, right, bottom = self.box
        how = cv2.INTER_AREA if self.scale < 1 else cv2.INTER_CUBIC
        part = self.photo.pixels[top:bottom, left:right]
        return np.ascontiguousarray(cv2.resize(part, self.size, interpolation=how))

    def from_photo(self, points_px: FloatArray) -> FloatArray:
        """Full-size photo points (..., 2) to overlay points."""
        return (self.photo.to_working(points_px) - self.box[:2] + 0.5) * self.scale - 0.5

    def from_plan(self, tray: TrayInspection, points_mm: FloatArray) -> FloatArray:
        """(n, 2) points of the tray's plan, at the plan's height, to overlay points."""
        if tray.pose is not None:
            level = np.full(len(points_mm), tray.plan.z_mm)
            return self.from_tray(tray, np.column_stack([points_mm, level]))
        columns, rows = tray.plan.grid.to_px(points_mm[:, 0], points_mm[:, 1])
        to_crop = tray.segmented.photo_to_crop
        offset = np.stack([columns, rows], axis=1) - to_crop[:, 2]
        return self.from_photo(np.asarray(np.linalg.solve(to_crop[:, :2], offset.T).T))

    def from_tray(self, tray: TrayInspection, points_mm: FloatArray) -> FloatArray:
        """(n, 3) points in the tray's frame to overlay points; the tray has a pose."""
        assert tray.pose is not None
        return self.from_photo(tray.pose.project(points_mm))

    def rim(self, tray: TrayInspection) -> FloatArray | None:
        """(n, 2) px along the opening's edge; with a lens model its sides are not straight."""
        if tray.pose is None:
            return None
        corners = tray.pose.size.opening_mm
        along = np.linspace(0, 1, 12, endpoint=False)[:, None]
        sides = [corners[i] + (corners[(i + 1) % 4] - corners[i]) * along for i in range(4)]
        return self.from_tray(tray, np.concatenate(sides))

    def visible(self, outlines: list[FloatArray], within: FloatArray | None) -> FloatArray:
        """(n, 2) px every `VISIBLE_STEP_PX` inside outlines, inside `within`, on the picture."""
        size = (self.size[1] // VISIBLE_STEP_PX, self.size[0] // VISIBLE_STEP_PX)
        inside = np.ones(size, dtype=np.uint8)
        for polygons in (outlines, [] if within is None else [within]):
            finite = [polygon for polygon in polygons if np.isfinite(polygon).all()]
            if not finite and polygons is not outlines:
                continue
            mask = np.zeros(size, dtype=np.uint8)
            scaled = [np.rint(one / VISIBLE_STEP_PX).astype(np.int32) for one in finite]
            cv2.fillPoly(mask, scaled, 1)
            inside &= mask
        rows, columns = np.nonzero(inside)
        return np.stack([columns, rows], axis=1).astype(np.float64) * VISIBLE_STEP_PX


def _part_worth_showing(inspection: Inspection) -> tuple[int, int, int, int]:
    """Working-px box around the trays with their kit; all of the photo if one has no place."""
    photo = inspection.photo
    height, width = photo.pixels.shape[:2]
    whole = (0, 0, width, height)
    if inspection.problems or not inspection.trays:
        return whole
    corners = []
    for tray in inspection.trays:
        if tray.pose is None:
            return whole
        kit = [tray.pose.size.tag_corners_mm(corner) for corner in (*RIM_CORNERS, *HEAD_CORNERS)]
        mm = np.concatenate([*kit, tray.pose.size.opening_mm])
        corners.append(photo.to_working(tray.pose.project(mm)))
    points = np.concatenate(corners)
    points = points[np.isfinite(points).all(axis=1)]
    low, high = points.min(axis=0), points.max(axis=0)
    margin = _MARGIN_SHARE * (high - low).max()
    left, top = np.clip(np.floor(low - margin), 0, [width - 1, height - 1]).astype(int)
    right, bottom = np.clip(np.ceil(high + margin), [left + 1, top + 1], [width, height]).astype(
        int
    )
    return int(left), int(top), int(right), int(bottom)
