"""Geometry of the printed reference kit, in millimetres of the tray's own frame.

The frame: origin in the centre of the tray opening in the plane of the rim's top, +X along
the long side from end bar A to end bar B, +Y to its left seen from above, +Z up.
"""

import re
from dataclasses import dataclass
from functools import cached_property
from math import sqrt

import numpy as np
import numpy.typing as npt

TAG_EDGE_MM = 30.0
QUIET_ZONE_MM = 5.0
TAGS_PER_TRAY = 6
RIM_CORNERS = (0, 1, 2, 3)
HEAD_CORNERS = (4, 5)
LAST_TRAY_NUMBER = 95
CARRIED_STRIP_NUMBER = 96
BAR_WIDTH_MM = 40.0
STRIP_WIDTH_MM = 30.0
STRIP_TOP_MM = 180.0
STRIP_BAND_MM = 10.0
HEAD_WIDTH_MM = 100.0
HEAD_SLOPE_LENGTH_MM = 40.0
HEAD_TAG_Y_MM = 28.0

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class CharucoSheet:
    """The calibration sheet: a chessboard with markers in its white squares, OpenCV's layout.

    The square in the upper left corner is black; the markers count up row by row.
    """

    columns: int = 7
    rows: int = 5
    square_mm: float = 30.0
    marker_mm: float = 22.0
    dictionary: str = "DICT_5X5_100"


CHARUCO_SHEET = CharucoSheet()

_SIZE = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*[x×X]\s*(\d+(?:\.\d+)?)\s*[x×X]\s*(\d+(?:\.\d+)?)\s*$")


@dataclass(frozen=True)
class TraySize:
    """Inner size of a tray in mm: `length` along X, `width` along Y, `depth` from rim to floor."""

    length_mm: float
    width_mm: float
    depth_mm: float

    def __post_init__(self) -> None:
        for name, low, high in (
            ("length_mm", 100.0, 3000.0),
            ("width_mm", 80.0, 2000.0),
            ("depth_mm", 10.0, 400.0),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise ValueError(f"{name} must be from {low:g} to {high:g} mm, got {value!r}")

    @classmethod
    def parse(cls, text: str) -> "TraySize":
        """Read ``"540x280x60"`` (millimetres, length x width x depth).

        Raises
        ------
        ValueError
            If `text` is not three numbers joined by x, or a side is out of range.
        """
        match = _SIZE.match(text)
        if match is None:
            raise ValueError(
                f"tray size must be LENGTHxWIDTHxDEPTH in mm, such as 540x280x60, got {text!r}"
            )
        return cls(*(float(side) for side in match.groups()))

    @classmethod
    def typed(cls, text: str) -> "TraySize":
        """Read a size that a person typed, whose first side must not be the shorter one.

        Raises
        ------
        ValueError
            As `parse`, or if the length is less than the width.
        """
        return cls.parse(text).long_side_first()

    def long_side_first(self) -> "TraySize":
        """The size itself.

        Raises
        ------
        ValueError
            If the length is less than the width: the bars lie on the short ends.
        """
        if self.length_mm < self.width_mm:
            raise ValueError(
                "tray size must be length x width x depth with the long side first, "
                f"got {self}; did you mean "
                f"{self.width_mm:g}x{self.length_mm:g}x{self.depth_mm:g}?"
            )
        return self

    def __str__(self) -> str:
        return f"{self.length_mm:g}x{self.width_mm:g}x{self.depth_mm:g}"

    @cached_property
    def opening_mm(self) -> FloatArray:
        """(4, 3) corners of the opening at z = 0, counter-clockwise from (-x, -y)."""
        x, y = self.length_mm / 2, self.width_mm / 2
        return np.array([[-x, -y, 0], [x, -y, 0], [x, y, 0], [-x, y, 0]], dtype=np.float64)

    def tag_corners_mm(self, corner: int) -> FloatArray:
        """(4, 3) corners of one tag: up-left, up-right, down-right, down-left as printed.

        Parameters
        ----------
        corner : int
            0 to 3 on the rim, 4 and 5 on the strip's head.

        Raises
        ------
        ValueError
            If `corner` is not 0 to 5.
        """
        centre, up, left = self._tag_frame(corner)
        half = TAG_EDGE_MM / 2
        return np.stack(
            [
                centre + half * (up + left),
                centre + half * (up - left),
                centre + half * (-up - left),
                centre + half * (-up + left),
            ]
        )

    def _tag_frame(self, corner: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        left = np.array([0.0, 1.0, 0.0])
        x, y = self.length_mm / 2 + BAR_WIDTH_MM / 2, self.width_mm / 2 - 20.0
        rim = {0: (-x, y), 1: (-x, -y), 2: (x, -y), 3: (x, y)}
        if corner in rim:
            return np.array([*rim[corner], 0.0]), np.array([1.0, 0.0, 0.0]), left
        if corner not in HEAD_CORNERS:
            raise ValueError(f"corner must be 0 to 5, got {corner!r}")
        up = np.array([1.0, 0.0, 1.0]) / sqrt(2)
        foot = np.array([self.length_mm / 2, 0.0, STRIP_TOP_MM])
        side = HEAD_TAG_Y_MM if corner == 4 else -HEAD_TAG_Y_MM
        return foot + HEAD_SLOPE_LENGTH_MM / 2 * up + side * left, up, left

    def strip_points_mm(self, height_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
        """Points on the strip's face at heights above the tray floor: (..., 3), tray frame."""
        height, y = np.broadcast_arrays(height_mm, y_mm)
        return np.stack(
            [np.full(height.shape, self.length_mm / 2), y, height - self.depth_mm], axis=-1
        )


def tag_id(tray_number: int, corner: int) -> int:
    """Tag id of a tray's corner: ``6 n + corner``.

    Raises
    ------
    ValueError
        If the tray number is not 0 to 96, or the corner does not exist for it.
    """
    if not 0 <= tray_number <= CARRIED_STRIP_NUMBER:
        raise ValueError(f"tray number must be 0 to 96, got {tray_number!r}")
    if tray_number == CARRIED_STRIP_NUMBER and corner in HEAD_CORNERS:
        return TAGS_PER_TRAY * tray_number + corner
    if tray_number == CARRIED_STRIP_NUMBER or not 0 <= corner < TAGS_PER_TRAY:
        raise ValueError(f"corner must be 0 to 5 (4 or 5 for number 96), got {corner!r}")
    return TAGS_PER_TRAY * tray_number + corner


def tray_and_corner(tag: int) -> tuple[int, int]:
    """Tray number and corner of a tag id: the inverse of `tag_id`."""
    return tag // TAGS_PER_TRAY, tag % TAGS_PER_TRAY


def in_kit(tag: int) -> bool:
    """Whether a tag of the family is printed anywhere in the kit: not 576 to 579 and 582 on."""
    number, corner = tray_and_corner(tag)
    return 0 <= number <= LAST_TRAY_NUMBER or (
        number == CARRIED_STRIP_NUMBER and corner in HEAD_CORNERS
    )
