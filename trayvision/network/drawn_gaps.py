"""Drawn gaps in the bed of a rendered tray, down to its floor."""

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.network.drawing import (
    BED,
    FLOOR,
    SIDE,
    Canvas,
    FloatImage,
    Rng,
    blobs,
    colour,
    curve,
    grain_texture,
    noise,
)
from trayvision.network.drawn_grounds import draw_kernel


def draw_floor(canvas: Canvas, rng: Rng) -> None:
    """Gaps in the bed down to the tray's floor, kernels and roots lying over them.

    Plastic is smooth, has one colour and ends sharply at what lies on it; mould of the same
    colour has grain and frays.
    """
    bed = canvas.targets == BED
    if bed.sum() < 400:
        return
    around = canvas.rgb[bed]
    plastic = _plastic(canvas, rng)
    size = np.exp(rng.uniform(np.log(8), np.log(110)))
    inside = blobs(rng, size, int(rng.integers(1, 4))) + 0.2 * noise(rng, max(size * 0.5, 4), 3)
    inside += 0.1 * grain_texture(rng, rng.uniform(1.0, 3.0))
    edge = np.float32(size * rng.uniform(0.15, 0.5))
    alpha = np.clip(inside * edge, 0, 1) * bed
    depth = cv2.GaussianBlur(alpha, (0, 0), float(rng.uniform(2, 10)))
    light = rng.uniform(0.35, 1.0) + rng.uniform(0, 0.5) * depth + 0.06 * noise(rng, 120, 2)
    light += rng.uniform(0, 0.03) * grain_texture(rng, 0.8)
    canvas.paint(plastic * light[..., None], alpha.astype(np.float32), FLOOR)
    _lay_over(canvas, rng, around, gap=alpha > 0.5)


def _plastic(canvas: Canvas, rng: Rng) -> FloatImage:
    """The colour of some of the tray's own plastic that is seen, or of any other plastic."""
    seen = canvas.rgb[canvas.targets == FLOOR]
    if len(seen) > 200 and rng.random() < 0.6:
        return np.asarray(seen[rng.integers(len(seen), size=40)].mean(0), dtype=np.float32)
    if rng.random() < 0.6:
        return colour(rng, (0, 360), (0, 0.1), (0.04, 1))
    return colour(rng, (0, 360), (0.3, 0.9), (0.1, 0.8))


def _lay_over(canvas: Canvas, rng: Rng, around: FloatImage, *, gap: npt.NDArray[np.bool_]) -> None:
    """Roots and kernels in the colours of the bed over a gap in it."""
    over = Canvas(canvas.rgb.copy(), canvas.targets.copy())
    rows, columns = np.nonzero(gap)
    if rows.size == 0:
        return
    lightness = around.sum(1)
    pale = around[lightness >= np.quantile(lightness, 0.85)].mean(0)
    strands = np.zeros((SIDE, SIDE), np.float32)
    dense = rng.uniform(0, 1) ** 2
    width = int(rng.integers(1, 4))
    for _ in range(int(dense * rows.size / (25 * width))):
        at = rng.integers(rows.size)
        start = np.array([columns[at], rows[at]]) + rng.normal(0, 12, 2)
        path = curve(rng, start, rng.uniform(10, 90), rng.uniform(0.5, 3.0))
        cv2.polylines(strands, [path], False, float(rng.uniform(0.6, 1)), width, cv2.LINE_AA)
    over.paint(pale * (1 + 0.1 * grain_texture(rng, 1.5))[..., None], strands, BED)
    kernel = around[lightness <= np.quantile(lightness, 0.6)].mean(0) * rng.uniform(0.8, 1.6)
    length, aspect = rng.uniform(7, 18), rng.uniform(0.35, 0.6)
    for _ in range(int(rng.uniform(0, 0.5) * SIDE**2 / length**2)):
        draw_kernel(over, rng, kernel, length=length, aspect=aspect, target=BED)
    canvas.rgb[gap] = over.rgb[gap]
    canvas.targets[gap] = over.targets[gap]
