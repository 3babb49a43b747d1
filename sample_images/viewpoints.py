"""Cameras: fixed above a shelf or a phone held by hand, framed on the kit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kit_geometry import SLOPE, STRIP_TOP_MM, TraySize
from meshes import Array


@dataclass(frozen=True)
class Camera:
    """Pinhole camera; OpenCV axes and pixel convention, tray frame in mm."""

    kind: str
    width: int
    height: int
    focal_px: float
    rotation: Array
    translation: Array

    @property
    def centre_px(self) -> tuple[float, float]:
        """Principal point."""
        return (self.width - 1) / 2, (self.height - 1) / 2

    @property
    def position_mm(self) -> Array:
        """Where the camera stands in the tray frame."""
        return -self.rotation.T @ self.translation

    @property
    def hfov_deg(self) -> float:
        """Full horizontal angle of view."""
        return float(2 * np.degrees(np.arctan(self.width / 2 / self.focal_px)))

    def project(self, points: Array) -> Array:
        """Pixels (..., 2) of points (..., 3)."""
        seen = points @ self.rotation.T + self.translation
        return np.asarray(
            self.focal_px * seen[..., :2] / seen[..., 2:] + np.asarray(self.centre_px)
        )


@dataclass(frozen=True)
class ViewWish:
    """What kind of view to take."""

    kind: str
    width: int
    height: int
    hfov_deg: float
    off_vertical_deg: float
    azimuth_deg: float
    roll_deg: float
    margin: float
    minimum_height_mm: float


def _rotation(direction: Array, up: Array, roll: float) -> Array:
    right = np.cross(direction, up)
    right /= np.linalg.norm(right)
    down = np.cross(direction, right)
    first = np.cos(roll) * right + np.sin(roll) * down
    second = -np.sin(roll) * right + np.cos(roll) * down
    return np.stack([first, second, direction])


def framing_points(size: TraySize, *, with_head: bool) -> Array:
    """Points that a good photo of the tray keeps in frame."""
    x, y = size.length_mm / 2 + 42, size.width_mm / 2 + 8
    points = [[sx * x, sy * y, 0.0] for sx in (-1, 1) for sy in (-1, 1)]
    if with_head:
        foot = np.array([size.length_mm / 2, 0.0, STRIP_TOP_MM])
        points += [list(foot + side * np.array([0, 50.0, 0]) + up * SLOPE)
                   for side in (-1, 1) for up in (0.0, 40.0)]  # fmt: skip
    return np.array(points)


def take_view(wish: ViewWish, points: Array) -> Camera:
    """The nearest camera of the wished direction that holds ``points`` in its frame."""
    tilt, azimuth = np.radians(wish.off_vertical_deg), np.radians(wish.azimuth_deg)
    direction = -np.array(
        [np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)]
    )
    # Up in the picture points away from the viewer, or along the tray when seen from above.
    ahead = np.array([-np.cos(azimuth), -np.sin(azimuth), 0.0])
    rotation = _rotation(direction, ahead, np.radians(wish.roll_deg))
    focal = wish.width / 2 / np.tan(np.radians(wish.hfov_deg) / 2)
    turned = points @ rotation.T
    half = wish.margin * np.array([wish.width, wish.height]) / 2 / focal
    low, high = np.zeros(2), np.zeros(2)
    distance = 0.0
    # The tightest frame: for each axis the two extreme rays must fit between both edges.
    for axis in (0, 1):
        spread_high = turned[:, axis] - half[axis] * turned[:, 2]
        spread_low = turned[:, axis] + half[axis] * turned[:, 2]
        low[axis], high[axis] = spread_low.min(), spread_high.max()
        distance = max(distance, (high[axis] - low[axis]) / 2 / half[axis])
    middle = (low + high) / 2
    translation = np.array([-middle[0], -middle[1], distance])
    height = float((-rotation.T @ translation)[2])
    translation[2] += max(0.0, wish.minimum_height_mm - height) / np.cos(tilt)
    return Camera(wish.kind, wish.width, wish.height, float(focal), rotation, translation)


def random_wish(rng: np.random.Generator, kind: str) -> ViewWish:
    """A plausible view of the kind 'fixed' or 'phone'."""
    frame = [(1360, 1020), (1632, 1224)][int(rng.uniform() < 0.2)]
    if kind == "fixed":
        upside = rng.choice([0.0, 180.0])
        azimuth = 180 + rng.normal(0, 25)
        # A shelf camera hangs nearly square to the tray, whichever way it leans.
        turn = rng.normal(0, 3.0) if rng.uniform() < 0.8 else rng.uniform(-35, 35)
        return ViewWish(
            kind, *frame, rng.uniform(65, 85),
            abs(rng.normal(0, 3.0)) + rng.choice([1.0, 5.0, 9.0]),
            azimuth, 90 + upside + (azimuth - 180) + turn, rng.uniform(0.84, 1.0),
            rng.uniform(420, 640),
        )  # fmt: skip
    portrait = rng.uniform() < 0.55
    width, height = frame[::-1] if portrait else frame
    if portrait:
        azimuth = 180 + rng.normal(0, 9)
    else:
        azimuth = 180 + rng.choice([-1.0, 1.0]) * rng.uniform(45, 90)
    return ViewWish(
        kind, width, height, rng.uniform(46, 56) if portrait else rng.uniform(60, 72),
        rng.uniform(20, 45), azimuth, rng.normal(0, 6), rng.uniform(0.84, 1.03), 300.0,
    )  # fmt: skip
