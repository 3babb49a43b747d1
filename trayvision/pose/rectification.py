"""The straight-down view of a tray, in millimetres, at any height of its own frame.

View convention: row 0 lies on the +Y side, column 0 on the -X side (bar A); with `mm_per_px`
m, pixel (column c, row r) has its centre at x = -length/2 + (c + 0.5) m and
y = width/2 - (r + 0.5) m.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trayvision.pose.tray_pose import TrayPose
from trayvision.reference_kit import TraySize

FloatArray = npt.NDArray[np.float64]
Affine = npt.NDArray[np.float64]

# The exact projection is evaluated on a grid this coarse and interpolated between: at usual
# distances the interpolation errs by less than 0.05 px, and a lens model costs nothing extra.
_GRID_PX = 16


@dataclass(frozen=True)
class PlanGrid:
    """A raster over the tray opening seen straight from above.

    Parameters
    ----------
    length_mm, width_mm : float
        Sides of the opening, which the raster covers exactly.
    mm_per_px : float
        Pitch of the raster in mm; the last column and row may reach past the opening by less
        than one pixel.
    """

    length_mm: float
    width_mm: float
    mm_per_px: float

    @classmethod
    def over(cls, size: TraySize, mm_per_px: float) -> "PlanGrid":
        """The raster over the opening of a tray."""
        return cls(size.length_mm, size.width_mm, mm_per_px)

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns) of the view."""
        return (
            int(np.ceil(self.width_mm / self.mm_per_px)),
            int(np.ceil(self.length_mm / self.mm_per_px)),
        )

    def to_mm(self, columns: FloatArray, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Tray x and y in mm of view pixels given by column and row."""
        return (
            -self.length_mm / 2 + (columns + 0.5) * self.mm_per_px,
            self.width_mm / 2 - (rows + 0.5) * self.mm_per_px,
        )

    def to_px(self, x_mm: FloatArray, y_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Columns and rows of tray points in mm; the inverse of `to_mm`."""
        return (
            (x_mm + self.length_mm / 2) / self.mm_per_px - 0.5,
            (self.width_mm / 2 - y_mm) / self.mm_per_px - 0.5,
        )


def photo_map(
    pose: TrayPose, grid: PlanGrid, z_mm: float, photo_to_image: Affine | None = None
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Where each pixel of the straight-down view at height `z_mm` lies in an image.

    Parameters
    ----------
    pose : TrayPose
    grid : PlanGrid
    z_mm : float
        Height of the viewed plane in the tray frame (0 is the rim, ``-depth`` the floor).
    photo_to_image : (2, 3) float array, optional
        Affine map from full-size photo pixels to the pixels of the image to be sampled.

    Returns
    -------
    map_x, map_y : float32 arrays of `grid.shape`
        Image coordinates for `cv2.remap`; NaN-free, points behind the camera cannot occur for
        a camera above the plane.
    """
    rows, columns = grid.shape
    spread_c, coarse_c = _linear_interpolation(columns)
    spread_r, coarse_r = _linear_interpolation(rows)
    x, y = grid.to_mm(*np.meshgrid(coarse_c, coarse_r))
    points = pose.project(np.stack([x, y, np.full_like(x, z_mm)], axis=-1))
    if photo_to_image is not None:
        points = points @ photo_to_image[:, :2].T + photo_to_image[:, 2]
    coarse = points.astype(np.float32)
    return (
        spread_r @ (coarse[..., 0] @ spread_c.T),
        spread_r @ (coarse[..., 1] @ spread_c.T),
    )


def _linear_interpolation(count: int) -> tuple[npt.NDArray[np.float32], FloatArray]:
    """(count, knots) weights that spread values at the knots linearly over 0..count-1."""
    knots = np.linspace(0, count - 1, max(2, (count - 1) // _GRID_PX + 1))
    step = knots[1] - knots[0]
    distance = np.abs(np.arange(count)[:, None] - knots[None, :]) / step
    return np.clip(1 - distance, 0, None).astype(np.float32), knots
