"""What lies around the place of a tag, and where in it a printed tag may be."""

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.tags.corners import edge_length_px, grid_homography
from trayvision.tags.edges import map_points
from trayvision.tags.family import TAG_CELLS, tag_cells

FloatArray = npt.NDArray[np.float64]
GreyImage = npt.NDArray[np.uint8]

_PX_PER_CELL = 4
_QUIET_CELLS = 1
_LEAST_CORRELATION = 0.35
_WIDEST_SEARCH_EDGES = 7.0
_SHIFTS = np.array([[0.0, 0.0], [1, 0], [1, 1], [0, 1]]) * TAG_CELLS


@dataclass(frozen=True, eq=False)
class Neighbourhood:
    """What lies around a tag's place, as if seen from the front, `_PX_PER_CELL` px a cell.

    Parameters
    ----------
    flat : (n, n) float32 array
        Grey levels; they begin `around` cells up and left of the expected tag.
    homography : (3, 3) array
        From the expected tag's cells to pixels of the photo.
    around : float
        Cells on each side of the expected tag.
    """

    flat: npt.NDArray[np.float32]
    homography: FloatArray
    around: float

    @classmethod
    def of(
        cls, grey: GreyImage, expected_px: FloatArray, radius_px: float
    ) -> "Neighbourhood | None":
        """Around corners (4, 2) px, within a radius; None where that is too wide to search."""
        edge_px = edge_length_px(expected_px)
        if radius_px > _WIDEST_SEARCH_EDGES * edge_px:
            return None
        homography = grid_homography(expected_px)
        around = float(np.ceil(radius_px / edge_px * TAG_CELLS)) + _QUIET_CELLS
        side = int((TAG_CELLS + 2 * around) * _PX_PER_CELL)
        # Pixel centres of the rectified neighbourhood lie half a pixel inside its cells.
        to_cells = np.array(
            [
                [1, 0, 0.5 - around * _PX_PER_CELL],
                [0, 1, 0.5 - around * _PX_PER_CELL],
                [0, 0, _PX_PER_CELL],
            ],
            dtype=np.float64,
        )
        flat = cv2.warpPerspective(
            grey,
            homography @ to_cells,
            (side, side),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        return cls(flat.astype(np.float32), homography, around)

    def places(self, tag: int, most: int) -> tuple[float, list[FloatArray]]:
        """The best correlation with a printed tag, 0 without any place, and the best places.

        Each place is the tag's corners (4, 2) in px of the photo.
        """
        score = cv2.matchTemplate(self.flat, _template(tag), cv2.TM_CCOEFF_NORMED)
        best, found = 0.0, []
        for _ in range(most):
            _, height, _, (x, y) = cv2.minMaxLoc(score)
            if height < _LEAST_CORRELATION:
                break
            best = max(best, height)
            offset = np.array([x, y]) / _PX_PER_CELL + _QUIET_CELLS - self.around
            found.append(map_points(self.homography, _SHIFTS + offset))
            cv2.circle(score, (x, y), 2 * _PX_PER_CELL, -1.0, -1)
        return best, found


@cache
def _template(tag: int) -> npt.NDArray[np.float32]:
    cells = np.pad(tag_cells(tag), _QUIET_CELLS, constant_values=True).astype(np.float32)
    drawn = np.kron(cells, np.ones((_PX_PER_CELL, _PX_PER_CELL), dtype=np.float32))
    return np.asarray(cv2.GaussianBlur(drawn, (0, 0), 0.25 * _PX_PER_CELL), dtype=np.float32)
