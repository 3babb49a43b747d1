"""Canvas, colours and noise for drawn training pictures."""

import colorsys
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

FloatImage = npt.NDArray[np.float32]
Rng = np.random.Generator

SIDE = 448
THING, FLOOR, BED, SHOOT, MOULD, SLIME = 0, 1, 2, 3, 4, 6
MOULDLESS, HARMLESS, IGNORE = 253, 254, 255


@dataclass
class Canvas:
    """A picture being drawn: `rgb` (h, w, 3) in 0 to 1 and `targets` (h, w)."""

    rgb: FloatImage
    targets: npt.NDArray[np.uint8]

    def paint(self, rgb: FloatImage, alpha: FloatImage, target: int | None) -> None:
        """Lay colour over the picture; it becomes `target` where at least half opaque."""
        self.rgb += (rgb - self.rgb) * alpha[..., None]
        if target is not None:
            self.targets[alpha >= 0.5] = target


def colour(
    rng: Rng, hue: tuple[float, float], saturation: tuple[float, float], value: tuple[float, float]
) -> FloatImage:
    """One RGB colour (3,) from ranges of hue in degrees, saturation and value."""
    h, s, v = rng.uniform(*hue) % 360 / 360, rng.uniform(*saturation), rng.uniform(*value)
    return np.array(colorsys.hsv_to_rgb(h, s, v), np.float32)


def noise(rng: Rng, cell_px: float, octaves: int = 1) -> FloatImage:
    """(SIDE, SIDE) smooth noise of about unit variance; each octave halves the cell."""
    total = np.zeros((SIDE, SIDE), np.float32)
    for octave in range(octaves):
        knots = max(2, round(SIDE / max(cell_px / 2**octave, 1.0)))
        field = rng.standard_normal((knots, knots)).astype(np.float32)
        spread = cv2.resize(field, (SIDE, SIDE), interpolation=cv2.INTER_CUBIC)
        total += np.asarray(spread, dtype=np.float32) * np.float32(0.65**octave)
    return total / np.float32(total.std() + 1e-6)


def grain_texture(rng: Rng, fineness: float) -> FloatImage:
    """Per-pixel noise smoothed by `fineness` px."""
    field = rng.standard_normal((SIDE, SIDE)).astype(np.float32)
    smooth = np.asarray(cv2.GaussianBlur(field, (0, 0), fineness), dtype=np.float32)
    return smooth / np.float32(smooth.std())


def blobs(rng: Rng, size: float, count: int) -> FloatImage:
    """(SIDE, SIDE), above 0 in irregular round blobs of about `size` px, 1.4 in their middles."""
    rows, columns = np.mgrid[:SIDE, :SIDE].astype(np.float32)
    cover = np.full((SIDE, SIDE), -1, np.float32)
    for _ in range(count):
        x, y = rng.uniform(0, SIDE, 2)
        radius = size * rng.uniform(0.4, 1.0)
        distance = np.hypot(columns - x, (rows - y) * rng.uniform(0.7, 1.4)) / radius
        cover = np.maximum(cover, np.float32(1.4) - distance)
    return cover


def curve(
    rng: Rng, start: npt.NDArray[np.float64], length: float, bend: float
) -> npt.NDArray[np.int32]:
    """A wandering line (n, 1, 2) from `start`."""
    steps = 16
    heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, bend / 4, steps))
    moves = np.stack([np.cos(heading), np.sin(heading)], 1) * length / steps
    return np.round(start + np.cumsum(moves, 0)).astype(np.int32)[:, None]
