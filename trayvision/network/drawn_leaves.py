"""Drawn leaves of every size: blades, rosettes, one leaf that fills the picture."""

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.network.drawing import (
    SHOOT,
    SIDE,
    Canvas,
    FloatImage,
    Rng,
    colour,
    curve,
    grain_texture,
    noise,
)


def leaf_colour(rng: Rng) -> FloatImage:
    """A living leaf's colour: mostly green, some yellow, some blue-grey."""
    kind = rng.random()
    if kind < 0.75:
        return colour(rng, (66, 130), (0.32, 0.9), (0.18, 0.9))
    if kind < 0.88:
        return colour(rng, (48, 70), (0.4, 0.85), (0.45, 0.95))
    return colour(rng, (105, 150), (0.18, 0.45), (0.25, 0.75))


def shaded(rng: Rng, base: FloatImage, light: tuple[float, float]) -> FloatImage:
    """One leaf's colour (3,): the plant's, in its own light and a little off."""
    return np.clip(base * rng.uniform(*light) * rng.normal(1, 0.06, 3), 0, 1).astype(np.float32)


def draw_blades(canvas: Canvas, rng: Rng) -> None:
    """Cereal blades from a few to a closed canopy."""
    width = rng.uniform(2.5, 22)
    base = leaf_colour(rng)
    for _ in range(int(rng.uniform(0.05, 3.0) * SIDE**2 / (width * width * 18))):
        path = curve(rng, rng.uniform(-20, SIDE + 20, 2), width * rng.uniform(8, 22), 0.35)[:, 0]
        taper = width / 2 * np.sin(np.linspace(0.35, 1, len(path)) * np.pi) ** 0.6
        along = np.gradient(path.astype(np.float64), axis=0)
        along /= np.linalg.norm(along, axis=1, keepdims=True) + 1e-6
        side = np.stack([-along[:, 1], along[:, 0]], 1) * taper[:, None]
        shade = shaded(rng, base, (0.35, 1.25))
        if rng.random() < 0.05:
            shade = colour(rng, (48, 65), (0.35, 0.8), (0.5, 0.95))
        for sign, light in ((1, 1.0), (-1, rng.uniform(0.7, 1.1))):
            outline = np.concatenate([path, (path + sign * side)[::-1]]).round().astype(np.int32)
            cv2.fillPoly(canvas.rgb, [outline], (shade * light).clip(0, 1).tolist(), cv2.LINE_AA)
            cv2.fillPoly(canvas.targets, [outline], SHOOT)
    canvas.rgb += 0.015 * rng.standard_normal(canvas.rgb.shape).astype(np.float32)


def draw_broad_leaves(canvas: Canvas, rng: Rng) -> None:
    """Rosettes of stalked leaves, from seedlings to plants that fill the picture."""
    size = np.exp(rng.uniform(np.log(8), np.log(110)))
    base = leaf_colour(rng)
    for _ in range(int(rng.integers(1, max(2, int(1500 / size**1.4) + 3)))):
        surface = leaf_surface(rng, rng.uniform(0, SIDE, 2))
        middle = rng.uniform(0.1 * SIDE, 0.9 * SIDE, 2)
        for _ in range(int(rng.integers(2, 9))):
            heading = rng.uniform(0, 2 * np.pi)
            reach = size * rng.uniform(0.5, 1.6)
            centre = middle + reach * np.array([np.cos(heading), np.sin(heading)])
            outline = leaf_outline(rng, centre, size * rng.uniform(0.4, 1.0), heading)
            shade = shaded(rng, base, (0.6, 1.25))
            stalk = tuple(int(v) for v in middle), tuple(int(v) for v in centre)
            thick = max(1, int(size * 0.09))
            cv2.line(canvas.rgb, *stalk, (shade * 0.9 + 0.05).tolist(), thick, cv2.LINE_AA)
            cv2.line(canvas.targets, *stalk, SHOOT, thick)
            paint_leaf(canvas, rng, outline, shade * surface)


def leaf_outline(
    rng: Rng, centre: npt.NDArray[np.float64], size: float, heading: float
) -> npt.NDArray[np.int32]:
    """Closed outline (n, 2): round, long, or lobed."""
    t = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    lobes = rng.integers(3, 9)
    radius = 1 + rng.choice([0, 0, 0.12, 0.25]) * np.cos(lobes * t) + 0.04 * np.cos(2 * t)
    shape = np.stack([np.cos(t), np.sin(t) * rng.uniform(0.3, 1.0)], 1) * radius[:, None] * size
    turn = np.array([[np.cos(heading), -np.sin(heading)], [np.sin(heading), np.cos(heading)]])
    return np.asarray(np.round(centre + shape @ turn.T), dtype=np.int32)


def paint_leaf(canvas: Canvas, rng: Rng, outline: npt.NDArray[np.int32], leaf: FloatImage) -> None:
    """Fill an outline with a leaf and darken the ground beside it."""
    alpha = np.zeros((SIDE, SIDE), np.float32)
    cv2.fillPoly(alpha, [outline], 1.0, cv2.LINE_AA)
    shift = int(rng.integers(1, 8))
    shadow = cv2.GaussianBlur(np.roll(alpha, (shift, shift), (0, 1)), (0, 0), 1 + shift / 2)
    canvas.rgb *= 1 - 0.5 * shadow[..., None]
    canvas.paint(np.minimum(leaf, 1), alpha, SHOOT)


def leaf_surface(rng: Rng, base_point: npt.NDArray[np.float64]) -> FloatImage:
    """(SIDE, SIDE, 3) factors on a leaf's colour: slow changes of light, veins, gloss."""
    surface = np.ones(3) * (1 + 0.18 * noise(rng, rng.uniform(60, 250), 2))[..., None]
    lines = np.zeros((SIDE, SIDE), np.float32)
    for _ in range(int(rng.integers(0, 14))):
        path = curve(rng, base_point + rng.normal(0, 40, 2), rng.uniform(60, 500), 0.15)
        cv2.polylines(lines, [path], False, 1.0, int(rng.integers(1, 5)), cv2.LINE_AA)
    veins = cv2.GaussianBlur(lines, (0, 0), float(rng.uniform(0.6, 1.5)))
    tint = rng.uniform(0.7, 1.5) + rng.uniform(-0.2, 0.6) * np.array([0.7, 0.0, 1.0])
    surface += (tint - surface) * (veins * rng.uniform(0.2, 0.8))[..., None]
    gloss = np.clip(noise(rng, rng.uniform(20, 120)) - rng.uniform(0.8, 2.5), 0, 1)
    surface += (gloss * rng.uniform(0, 0.7))[..., None] * np.array([1.3, 0.7, 1.6])
    if rng.random() < 0.5:
        surface *= (1 + 0.05 * grain_texture(rng, rng.uniform(0.7, 3)))[..., None]
    return np.clip(surface, 0, None).astype(np.float32)


def fill_with_leaf(canvas: Canvas, rng: Rng) -> None:
    """One leaf over most or all of the picture."""
    size = rng.uniform(0.3, 1.3) * SIDE
    outline = leaf_outline(rng, rng.uniform(0.3, 0.7, 2) * SIDE, size, rng.uniform(0, 2 * np.pi))
    leaf = leaf_colour(rng) * leaf_surface(rng, outline.mean(0))
    paint_leaf(canvas, rng, outline, leaf)
