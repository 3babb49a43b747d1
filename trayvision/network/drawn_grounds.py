"""Drawn grounds: soil, grain, plain surfaces, wet gels, and kernels one by one."""

import cv2
import numpy as np

from trayvision.network.drawing import (
    BED,
    HARMLESS,
    SIDE,
    Canvas,
    FloatImage,
    Rng,
    colour,
    grain_texture,
    noise,
)


def draw_soil(canvas: Canvas, rng: Rng) -> None:
    """Crumbly earth from pale sand to black peat, often with white stones."""
    base = colour(rng, (12, 48), (0.05, 0.6), (0.08, 0.75))
    tone = 0.3 * noise(rng, rng.uniform(20, 90), 4) + 0.25 * grain_texture(rng, rng.uniform(0.6, 2))
    canvas.rgb[:] = base * np.exp(np.float32(rng.uniform(0.4, 1.3)) * tone)[..., None]
    canvas.rgb += 0.02 * rng.standard_normal(canvas.rgb.shape).astype(np.float32)
    for _ in range(rng.poisson(rng.choice([0, 0, 30]))):
        centre = (int(rng.integers(SIDE)), int(rng.integers(SIDE)))
        size = (int(rng.integers(2, 10)), int(rng.integers(2, 10)))
        stone = colour(rng, (0, 60), (0, 0.15), (0.5, 1.0)).tolist()
        cv2.ellipse(canvas.rgb, centre, size, float(rng.uniform(0, 180)), 0, 360, stone, -1)


def draw_grain(canvas: Canvas, rng: Rng) -> None:
    """A layer of kernels, each shaded, some with a crease or a pale tip."""
    length = rng.uniform(7, 90) if rng.random() < 0.4 else rng.uniform(7, 25)
    aspect = rng.uniform(0.3, 0.95)
    base = colour(rng, (14, 52), (0.1, 0.75), (0.35, 0.98))
    if rng.random() < 0.15:
        base = colour(rng, (335, 375), (0.1, 0.6), (0.3, 0.9))
    canvas.rgb[:] = base * rng.uniform(0.1, 0.4)
    canvas.targets[:] = BED
    small = rng.standard_normal((48, 48)).astype(np.float32)
    for _ in range(int(min(3.2 * SIDE**2 / (length**2 * aspect), 9000))):
        draw_kernel(canvas, rng, base, length=length, aspect=aspect, target=None)
    rough = cv2.resize(small, (SIDE, SIDE), interpolation=cv2.INTER_CUBIC)
    canvas.rgb *= (1 + 0.08 * rough + 0.06 * grain_texture(rng, 0.7))[..., None]


def draw_kernel(
    canvas: Canvas, rng: Rng, base: FloatImage, *, length: float, aspect: float, target: int | None
) -> None:
    """One kernel somewhere, shaded, perhaps with a crease or a pale tip."""
    centre = rng.uniform(0, SIDE, 2)
    shade = base * (rng.uniform(0.55, 1.2) + 0.05 * rng.standard_normal(3))
    angle = rng.uniform(0, 360)
    half = length / 2 * rng.uniform(0.8, 1.15)
    for step, light in ((1.0, 0.55), (0.85, 0.9), (0.55, 1.12)):
        shift = centre - (1 - step) * half * 0.25
        box = (tuple(shift), (2 * half * step, 2 * half * aspect * step), angle)
        cv2.ellipse(canvas.rgb, box, np.clip(shade * light, 0, 1).tolist(), -1)
        if target is not None and step == 1:
            cv2.ellipse(canvas.targets, box, target, -1)
    along = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))]) * half
    if rng.random() < 0.3 and length > 12:
        ends = [(centre + sign * 0.7 * along).astype(int).tolist() for sign in (-1, 1)]
        crease = (shade * 0.6).clip(0, 1).tolist()
        cv2.line(canvas.rgb, ends[0], ends[1], crease, max(1, int(length / 20)))
    if rng.random() < 0.1:
        tip = tuple(int(v) for v in centre + 0.8 * along)
        cv2.circle(canvas.rgb, tip, max(1, int(half * 0.25)), (shade * 0.5 + 0.45).tolist(), -1)


def draw_strewn_kernels(canvas: Canvas, rng: Rng) -> None:
    """A few kernels, plain or dyed, on whatever ground there is."""
    length = rng.uniform(8, 70)
    hue = (14, 52) if rng.random() < 0.4 else (330, 395)
    base = colour(rng, hue, (0.1, 0.75), (0.35, 0.98))
    for _ in range(int(rng.integers(2, 40))):
        aspect = rng.uniform(0.3, 0.95)
        draw_kernel(canvas, rng, base, length=length, aspect=aspect, target=HARMLESS)


def draw_plain(canvas: Canvas, rng: Rng) -> None:
    """A table, a wall, cloth or wood, in any colour but a plant's."""
    base = colour(rng, (175, 395), (0.0, 0.7), (0.05, 1.0))
    kind = rng.random()
    if kind < 0.35:
        base = colour(rng, (0, 360), (0.0, 0.1), (0.05, 1.0))
    elif kind < 0.7:
        base = colour(rng, (15, 66), (0.08, 0.38), (0.4, 1.0))
    canvas.rgb[:] = base * (1 + 0.12 * noise(rng, 300))[..., None]
    if rng.random() < 0.5:
        streaks = cv2.resize(
            rng.standard_normal((SIDE, 6)).astype(np.float32), (SIDE, SIDE)
        ) + 0.5 * noise(rng, 60, 3)
        canvas.rgb *= (1 + rng.uniform(0.02, 0.2) * streaks)[..., None]


def draw_gel(canvas: Canvas, rng: Rng) -> None:
    """A smooth wet surface with bright dashes, as agar in a dish."""
    base = colour(rng, (160, 410), (0.0, 0.35), (0.15, 0.85))
    canvas.rgb[:] = base * (1 + 0.15 * noise(rng, 150, 2))[..., None]
    dashes = grain_texture(rng, rng.uniform(0.8, 2.5)) + noise(rng, 80)
    alpha = np.clip(dashes - rng.uniform(2.0, 3.2), 0, 1)
    canvas.paint(np.ones_like(canvas.rgb) * np.array([0.9, 0.95, 1.0], np.float32), alpha, None)


GROUNDS = {"soil": draw_soil, "grain": draw_grain, "plain": draw_plain, "gel": draw_gel}
