"""A tray without a kit, whose opening somebody marked on the photo by its four corners."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from trayvision.reference_kit import TraySize

Corner = tuple[float, float]
Corners = tuple[Corner, Corner, Corner, Corner]

CORNER_NAMES: Final = ("near_left", "near_right", "far_right", "far_left")
# A finger on a phone's screen: one standard deviation, as a share of the photo's long side.
TAP_SHARE: Final = 0.005


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

    def edge_share(self, long_side_px: int) -> float:
        """Standard uncertainty of the opening's area, as a share of it, from taps on a photo.

        A side moves by the mean of its two ends' errors across it; sides add in quadrature.
        """
        points = np.array(self.corners_px)
        sides = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
        across_px = TAP_SHARE * long_side_px / 2**0.5
        return float(np.linalg.norm(sides) * across_px / self.area_px)
