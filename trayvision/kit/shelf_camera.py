"""Until which day a camera over a shelf still sees the whole tray: a pinhole calculation.

A canopy grows towards the lens, so the picture must hold the tray's size at the height of the
canopy's top: a side of length s at distance d needs the angle 2 atan(s / 2d).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import atan, degrees, radians, tan
from types import MappingProxyType

from trayvision.reference_kit import TraySize

# Canopy height above the tray floor by day, root mat included: barley at 18 to 20 °C, middle of
# the ranges that growers and extension services give. Common practice, no measured source.
TYPICAL_CANOPY_MM: Mapping[int, float] = MappingProxyType(
    {0: 12.0, 1: 15.0, 2: 22.0, 3: 33.0, 4: 55.0, 5: 85.0, 6: 120.0, 7: 160.0, 8: 195.0}
)
# Shelf board or wire above, and the camera hanging under it.
CAMERA_HANGS_MM = 40.0


@dataclass(frozen=True)
class ShelfCamera:
    """A camera that looks straight down on the middle of a tray.

    Parameters
    ----------
    lens_above_floor_mm : float
        From the tray's floor up to the lens.
    lens_angle_deg : float
        Full angle of view along the picture's long side, which lies along the tray's.
    aspect : float
        Long side of the picture over its short side.

    Raises
    ------
    ValueError
        If the height is not positive, the angle is not between 10 and 170 degrees, or the
        aspect is below 1.
    """

    lens_above_floor_mm: float
    lens_angle_deg: float
    aspect: float = 4 / 3

    def __post_init__(self) -> None:
        if not self.lens_above_floor_mm > 0:
            raise ValueError(
                f"lens_above_floor_mm must be above 0, got {self.lens_above_floor_mm!r}"
            )
        if not 10 <= self.lens_angle_deg <= 170:
            raise ValueError(f"lens_angle_deg must be from 10 to 170, got {self.lens_angle_deg!r}")
        if not self.aspect >= 1:
            raise ValueError(f"aspect must be at least 1, got {self.aspect!r}")

    @classmethod
    def under_shelf(cls, shelf_pitch_mm: float, lens_angle_deg: float) -> "ShelfCamera":
        """A camera hung under the next shelf, `shelf_pitch_mm` above the one the tray stands on.

        Raises
        ------
        ValueError
            If the pitch leaves no room under the camera (40 mm), or the angle is out of range.
        """
        if not shelf_pitch_mm > CAMERA_HANGS_MM:
            raise ValueError(
                f"shelf_pitch_mm must be above {CAMERA_HANGS_MM:g}, got {shelf_pitch_mm!r}"
            )
        return cls(shelf_pitch_mm - CAMERA_HANGS_MM, lens_angle_deg)

    def tallest_canopy_seen_mm(self, size: TraySize) -> float:
        """Canopy height above the tray floor up to which its whole top is in the picture, mm.

        Negative if not even the empty floor is seen whole.
        """
        half_tan = tan(radians(self.lens_angle_deg) / 2)
        distance = max(
            size.length_mm / 2 / half_tan,
            size.width_mm / 2 / (half_tan / self.aspect),
        )
        return self.lens_above_floor_mm - distance


def needed_angle_deg(side_mm: float, distance_mm: float) -> float:
    """Angle of view that holds a side seen square on from `distance_mm`, degrees.

    Raises
    ------
    ValueError
        If a length is not positive: a canopy that reaches the lens is seen by no angle.
    """
    if not (side_mm > 0 and distance_mm > 0):
        raise ValueError(
            f"side_mm and distance_mm must be above 0, got {side_mm!r} and {distance_mm!r}"
        )
    return degrees(2 * atan(side_mm / 2 / distance_mm))


def first_blind_day(
    camera: ShelfCamera,
    *,
    size: TraySize,
    canopy_mm: Mapping[int, float] = TYPICAL_CANOPY_MM,
) -> int | None:
    """First day on which the canopy's top no longer fits into the picture; None if it always does.

    Parameters
    ----------
    camera : ShelfCamera
        Where the lens is and how wide it looks.
    size : TraySize
        Inner size of the tray.
    canopy_mm : mapping of int to float
        Canopy height above the tray floor by day; default a typical barley tray, which the
        grower's own figures should replace.
    """
    limit = camera.tallest_canopy_seen_mm(size)
    return min((day for day, height in canopy_mm.items() if height > limit), default=None)
