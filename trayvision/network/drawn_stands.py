"""Drawn closed stands of blades, long leaves with parallel veins, and pictures out of focus."""

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.network.drawing import IGNORE, SHOOT, SIDE, Canvas, FloatImage, Rng, noise
from trayvision.network.drawn_leaves import leaf_colour, shaded

FloatArray = npt.NDArray[np.float64]

_DARK_GAP = 0.3


def draw_stand(canvas: Canvas, rng: Rng) -> None:
    """A closed stand seen aslant: blades before blades, the near or the far ones out of focus.

    What little shows between them is more of the same, and counts as shoots unless it is dark:
    a dark gap between blades may be anything.
    """
    base = leaf_colour(rng)
    canvas.rgb[:] = base * rng.uniform(0.25, 0.8) * (1 + 0.3 * noise(rng, 120, 2))[..., None]
    canvas.targets[:] = np.where(canvas.rgb.max(axis=2) > _DARK_GAP, SHOOT, IGNORE)
    width = rng.uniform(4, 26)
    upward = rng.uniform(0, 2 * np.pi)
    layers = int(rng.integers(2, 6))
    focus, softness = rng.uniform(0, layers), rng.uniform(0, 3.0)
    for layer in range(layers):
        grown = width * (1 + 0.25 * layer)
        for _ in range(int(rng.uniform(0.3, 0.9) * SIDE**2 / (grown * grown * 14))):
            heading = upward + rng.normal(0, 0.25)
            blade = np.array([grown, grown * rng.uniform(6, 16)])
            _paint_long(canvas, rng, rng.uniform(-40, SIDE + 40, 2), heading, blade, base)
        blur = softness * abs(layer - focus)
        if blur > 0.4:
            canvas.rgb[:] = cv2.GaussianBlur(canvas.rgb, (0, 0), float(blur))


def draw_long_leaves(canvas: Canvas, rng: Rng) -> None:
    """One to seven long leaves, often wider than a third of the picture."""
    base = leaf_colour(rng)
    width = np.exp(rng.uniform(np.log(30), np.log(300)))
    for _ in range(int(rng.integers(1, 8))):
        leaf = np.array([width * rng.uniform(0.6, 1.2), width * rng.uniform(3, 9)])
        at, heading = rng.uniform(0.1, 0.9, 2) * SIDE, rng.uniform(0, 2 * np.pi)
        _paint_long(canvas, rng, at, heading, leaf, base)


def _paint_long(
    canvas: Canvas, rng: Rng, middle: FloatArray, heading: float, size: FloatArray, base: FloatImage
) -> None:
    """One long leaf around `middle`, `size` wide and long, bright or dark towards one end."""
    width, length = size
    reach = int(np.hypot(width, length) / 2) + 2
    low = np.clip(np.floor(middle - reach).astype(int), 0, SIDE)
    high = np.clip(np.ceil(middle + reach).astype(int) + 1, 0, SIDE)
    if (high - low).min() < 2:
        return
    rows, columns = np.mgrid[low[1] : high[1], low[0] : high[0]].astype(np.float32)
    x, y = columns - np.float32(middle[0]), rows - np.float32(middle[1])
    along = (x * np.cos(heading) + y * np.sin(heading)) / np.float32(length / 2)
    bend = rng.normal(0, 0.15) * length * (1 - along**2)
    across = (y * np.cos(heading) - x * np.sin(heading) + bend) / np.float32(width / 2)
    taper = np.clip(1 - np.abs(along) ** rng.uniform(1.5, 5), 0, 1)
    alpha = np.clip((taper - np.abs(across)) * width / 2 + 0.5, 0, 1).astype(np.float32)
    light = 1 + rng.uniform(-0.5, 0.5) * along + rng.uniform(-0.25, 0.25) * across
    light += rng.uniform(-0.25, 0.35) * np.exp(-((across / 0.12) ** 2))
    veins = rng.uniform(0, 0.08) * np.cos(across * width * rng.uniform(0.4, 1.2))
    gloss = np.clip(rng.normal(0, 0.25), 0, 1) * np.exp(-(((across - 0.4) / 0.3) ** 2))
    tint = shaded(rng, base, (0.45, 1.25)) * (light + veins)[..., None] + gloss[..., None]
    box = (slice(low[1], high[1]), slice(low[0], high[0]))
    canvas.rgb[box] += (np.clip(tint, 0, 1) - canvas.rgb[box]) * alpha[..., None]
    canvas.targets[box][alpha >= 0.5] = SHOOT


def defocus(canvas: Canvas, rng: Rng) -> None:
    """Put part of the picture out of focus; where two classes run together nothing counts."""
    blur = float(np.exp(rng.uniform(np.log(1.0), np.log(8.0))))
    whole = rng.random() < 0.3
    field = np.ones((SIDE, SIDE)) if whole else np.clip(0.5 + noise(rng, 300), 0, 1)
    where = field.astype(np.float32)[..., None]
    canvas.rgb += (cv2.GaussianBlur(canvas.rgb, (0, 0), blur) - canvas.rgb) * where
    for label in np.unique(canvas.targets[canvas.targets != IGNORE]):
        share = cv2.GaussianBlur((canvas.targets == label).astype(np.float32), (0, 0), blur)
        unclear = (share > 0.15) & (share < 0.85) & (where[..., 0] > 0.3)
        canvas.targets[unclear & (canvas.targets == label)] = IGNORE
