"""Drawn water and light: burnt-out reflections, and drops that pass for mould."""

import cv2
import numpy as np

from trayvision.network.drawing import (
    IGNORE,
    MOULD,
    MOULDLESS,
    SIDE,
    SLIME,
    Canvas,
    Rng,
    colour,
    grain_texture,
)


def draw_glare(canvas: Canvas, rng: Rng) -> None:
    """Burnt-out reflections and droplets; what they lie on keeps its class."""
    alpha = np.zeros((SIDE, SIDE), np.float32)
    for _ in range(int(rng.integers(3, 60))):
        centre = (int(rng.integers(SIDE)), int(rng.integers(SIDE)))
        axes = (int(rng.integers(1, 9)), int(rng.integers(1, 5)))
        cv2.ellipse(alpha, centre, axes, float(rng.uniform(0, 180)), 0, 360, 1.0, -1, cv2.LINE_AA)
    alpha = cv2.GaussianBlur(alpha, (0, 0), float(rng.uniform(0.4, 1.5))) * rng.uniform(0.5, 1)
    canvas.paint(np.ones_like(canvas.rgb), alpha.astype(np.float32), None)


def draw_sheen(canvas: Canvas, rng: Rng) -> None:
    """Soft light thrown back by a wet bed: pale, not burnt out, and no mould."""
    rows, columns = np.mgrid[:SIDE, :SIDE].astype(np.float32)
    alpha = np.zeros((SIDE, SIDE), np.float32)
    for _ in range(int(rng.integers(1, 5))):
        x, y = rng.uniform(0, SIDE, 2)
        far = np.hypot(columns - x, (rows - y) * rng.uniform(0.4, 2.5)) / rng.uniform(8, 70)
        alpha = np.maximum(alpha, np.exp(-(far ** rng.uniform(1.5, 4))) * rng.uniform(0.5, 1.1))
    rough = grain_texture(rng, float(rng.uniform(0.7, 2.5)))
    alpha = np.clip(alpha * (1 + rng.uniform(0.0, 0.35) * rough), 0, 1).astype(np.float32)
    tint = colour(rng, (30, 240), (0.0, 0.08), (0.85, 1.0))
    canvas.paint(tint, alpha, None)
    canvas.targets[(alpha > 0.35) & (canvas.targets == MOULD)] = IGNORE
    pale = (alpha > 0.35) & (canvas.targets <= SLIME) & (canvas.targets != MOULD)
    canvas.targets[pale] = MOULDLESS


def draw_droplets(canvas: Canvas, rng: Rng) -> None:
    """Drops of water: lenses, dark on the side of the light, with a spark or the sky in them."""
    size = np.exp(rng.uniform(np.log(3), np.log(30)))
    lit = rng.uniform(0, 2 * np.pi)
    sky = rng.uniform(0.3, 0.8) if rng.random() < 0.4 else 0.0
    spark, depth = rng.uniform(0.2, 1.0), rng.uniform(0.15, 0.6)
    for _ in range(int(rng.uniform(1, 6000 / size**1.5 + 3))):
        _draw_drop(canvas, rng, size * rng.uniform(0.3, 1.2), lit, (sky, spark, depth))


def _draw_drop(
    canvas: Canvas, rng: Rng, radius: float, lit: float, look: tuple[float, float, float]
) -> None:
    """One drop of about `radius` px; `look` is how much of sky, spark and lens it shows."""
    sky, spark, depth = look
    x0, y0 = rng.uniform(0, SIDE, 2)
    reach = 1.4 * radius + 2
    top, bottom = max(0, int(y0 - reach)), min(SIDE, int(y0 + reach) + 1)
    left, right = max(0, int(x0 - reach)), min(SIDE, int(x0 + reach) + 1)
    rows, columns = np.mgrid[top:bottom, left:right].astype(np.float32)
    x, y = (columns - x0) / radius, (rows - y0) / radius * rng.uniform(0.75, 1.35)
    ragged = rng.uniform(0, 0.25) * np.cos(
        rng.integers(2, 6) * np.arctan2(y, x) + rng.uniform(0, 6)
    )
    far = np.hypot(x, y) / (1 + ragged)
    inside = np.clip((1 - far) * radius + 0.5, 0, 1)
    towards = x * np.cos(lit) + y * np.sin(lit)
    shade = 1 - inside * depth * (towards + 0.6 * np.exp(-(((far - 0.9) / 0.12) ** 2)))
    across = np.hypot(x - 0.45 * np.cos(lit), y - 0.45 * np.sin(lit))
    glint = spark * np.exp(-((across / rng.uniform(0.12, 0.3)) ** 2)) * inside
    pale = sky * inside * np.clip(0.6 - 0.5 * towards + 0.3 * np.sin(5 * x + 3 * y), 0, 1)
    piece = canvas.rgb[top:bottom, left:right]
    piece *= shade[..., None].astype(np.float32)
    piece += (np.array([0.85, 0.9, 0.9], np.float32) - piece) * pale[..., None].astype(np.float32)
    piece += glint[..., None].astype(np.float32)
