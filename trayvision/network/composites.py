"""Drawn pictures with known classes, to make the rule one for plants and not for trays only.

Grounds (soil, grain, plain surfaces, wet gels), leaves from blades to a single leaf that fills
the picture, roots with hairs, mould on leaves and on grain, and things that pass for mould:
glare, droplets, white stones, paper. Nothing here looks real; colours, sizes and textures vary
so widely that only what holds for all of them can be learnt.
"""

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.network.drawing import (
    BED,
    HARMLESS,
    IGNORE,
    MOULD,
    SHOOT,
    SIDE,
    Canvas,
    Rng,
    colour,
    curve,
    grain_texture,
    noise,
)
from trayvision.network.drawn_leaves import draw_blades, draw_broad_leaves, fill_with_leaf


def compose(seed: int) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """One drawn picture: RGB (SIDE, SIDE, 3) and targets (SIDE, SIDE), the same for a seed."""
    rng = np.random.default_rng(seed)
    canvas = Canvas(
        np.zeros((SIDE, SIDE, 3), np.float32), np.full((SIDE, SIDE), HARMLESS, np.uint8)
    )
    scene = rng.choice(
        ["empty", "rosettes", "blades", "leaf", "grain", "roots"],
        p=[0.1, 0.25, 0.15, 0.2, 0.15, 0.15],
    )
    ground = rng.choice(["soil", "grain", "plain", "gel"], p=[0.4, 0.25, 0.25, 0.1])
    if scene == "empty":
        ground = rng.choice(["soil", "plain"], p=[0.75, 0.25])
    if scene in ("grain", "roots"):
        ground = rng.choice(["grain", "grain", "gel", "plain"])
    GROUNDS[str(ground)](canvas, rng)
    if scene == "roots" or (scene == "empty" and rng.random() < 0.3):
        draw_roots(canvas, rng)
    if scene == "rosettes":
        draw_broad_leaves(canvas, rng)
    elif scene == "blades":
        draw_blades(canvas, rng)
    elif scene == "leaf":
        fill_with_leaf(canvas, rng)
    if rng.random() < 0.4:
        draw_glare(canvas, rng)
    if rng.random() < 0.25:
        draw_paper(canvas, rng)
    if scene != "empty" and ground != "gel" and rng.random() < 0.45:
        draw_mould(canvas, rng)
    light = 1 + 0.15 * noise(rng, 200)[..., None]
    rgb = np.clip(canvas.rgb * light, 0, 1)
    return (rgb * 255).round().astype(np.uint8), canvas.targets


def overgrow(
    rgb: npt.NDArray[np.uint8], targets: npt.NDArray[np.uint8], seed: int
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """A (SIDE, SIDE) piece of a light-corrected picture with mould drawn into it."""
    rng = np.random.default_rng(seed)
    lacking = [max(0, SIDE - side) for side in targets.shape]
    edges = (0, lacking[0], 0, lacking[1], cv2.BORDER_REFLECT_101)
    rgb, targets = (
        np.asarray(cv2.copyMakeBorder(image, *edges), dtype=np.uint8) for image in (rgb, targets)
    )
    top = int(rng.integers(targets.shape[0] - SIDE + 1))
    left = int(rng.integers(targets.shape[1] - SIDE + 1))
    piece = (slice(top, top + SIDE), slice(left, left + SIDE))
    canvas = Canvas(rgb[piece].astype(np.float32) / np.float32(255), targets[piece].copy())
    draw_mould(canvas, rng, under_leaves=bool(rng.random() < 0.75))
    if rng.random() < 0.3:
        draw_glare(canvas, rng)
    return (np.clip(canvas.rgb, 0, 1) * 255).round().astype(np.uint8), canvas.targets


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
    small = [rng.standard_normal((48, 48)).astype(np.float32) for _ in range(3)]
    for _ in range(int(min(3.2 * SIDE**2 / (length**2 * aspect), 9000))):
        centre = rng.uniform(0, SIDE, 2)
        shade = base * (rng.uniform(0.55, 1.2) + 0.05 * rng.standard_normal(3))
        angle = rng.uniform(0, 360)
        half = length / 2 * rng.uniform(0.8, 1.15)
        for step, light in ((1.0, 0.55), (0.85, 0.9), (0.55, 1.12)):
            shift = centre - (1 - step) * half * 0.25
            box = (tuple(shift), (2 * half * step, 2 * half * aspect * step), angle)
            cv2.ellipse(canvas.rgb, box, np.clip(shade * light, 0, 1).tolist(), -1)
        along = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))]) * half
        if rng.random() < 0.3 and length > 12:
            ends = [(centre + sign * 0.7 * along).astype(int).tolist() for sign in (-1, 1)]
            crease = (shade * 0.6).clip(0, 1).tolist()
            cv2.line(canvas.rgb, ends[0], ends[1], crease, max(1, int(length / 20)))
        if rng.random() < 0.1:
            tip = tuple(int(v) for v in centre + 0.8 * along)
            cv2.circle(canvas.rgb, tip, max(1, int(half * 0.25)), (shade * 0.5 + 0.45).tolist(), -1)
    rough = cv2.resize(small[0], (SIDE, SIDE), interpolation=cv2.INTER_CUBIC)
    canvas.rgb *= (1 + 0.08 * rough + 0.06 * grain_texture(rng, 0.7))[..., None]


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


def draw_roots(canvas: Canvas, rng: Rng) -> None:
    """White to brownish threads, sometimes with an even down of hairs."""
    hairy = rng.random() < 0.5
    alpha = np.zeros((SIDE, SIDE), np.float32)
    tint = colour(rng, (30, 60), (0.0, 0.25), (0.65, 1.0))
    for _ in range(int(rng.integers(5, 160))):
        path = curve(rng, rng.uniform(0, SIDE, 2), rng.uniform(30, 260), 0.5)
        cv2.polylines(
            alpha, [path], False, float(rng.uniform(0.5, 1)), int(rng.integers(1, 6)), cv2.LINE_AA
        )
    if hairy:
        spread = cv2.GaussianBlur(alpha, (0, 0), float(rng.uniform(3, 9)))
        hairs = np.clip(0.5 + 0.5 * grain_texture(rng, 0.6), 0, 1)
        alpha = np.maximum(alpha, np.clip(spread * hairs * rng.uniform(0.6, 2.0), 0, 0.75))
    target = BED if (canvas.targets == BED).mean() > 0.5 else HARMLESS
    canvas.paint(tint * (1 + 0.08 * noise(rng, 30))[..., None], alpha, target)


def draw_glare(canvas: Canvas, rng: Rng) -> None:
    """Burnt-out reflections and droplets; what they lie on keeps its class."""
    alpha = np.zeros((SIDE, SIDE), np.float32)
    for _ in range(int(rng.integers(3, 60))):
        centre = (int(rng.integers(SIDE)), int(rng.integers(SIDE)))
        axes = (int(rng.integers(1, 9)), int(rng.integers(1, 5)))
        cv2.ellipse(alpha, centre, axes, float(rng.uniform(0, 180)), 0, 360, 1.0, -1, cv2.LINE_AA)
    alpha = cv2.GaussianBlur(alpha, (0, 0), float(rng.uniform(0.4, 1.5))) * rng.uniform(0.5, 1)
    canvas.paint(np.ones_like(canvas.rgb), alpha.astype(np.float32), None)


def draw_paper(canvas: Canvas, rng: Rng) -> None:
    """A label, a stick or a tube across the picture."""
    alpha = np.zeros((SIDE, SIDE), np.float32)
    box = (
        tuple(rng.uniform(0, SIDE, 2)),
        (rng.uniform(4, 120), rng.uniform(20, 400)),
        rng.uniform(0, 180),
    )
    cv2.fillPoly(alpha, [cv2.boxPoints(box).round().astype(np.int32)], 1.0, cv2.LINE_AA)
    shade = colour(rng, (0, 360), (0.0, 0.1), (0.05, 1.0))
    if rng.random() < 0.4:
        shade = colour(rng, (180, 400), (0.3, 0.9), (0.1, 0.95))
    canvas.paint(shade * (1 + 0.1 * noise(rng, 100))[..., None], alpha, HARMLESS)


MOULD_LOOKS: dict[str, tuple[tuple[float, float], tuple[float, float], tuple[float, float]]] = {
    "white": ((20, 70), (0.0, 0.12), (0.72, 1.0)),
    "grey": ((60, 200), (0.0, 0.15), (0.4, 0.75)),
    "grey-green": ((75, 165), (0.08, 0.35), (0.28, 0.62)),
    "blue-green": ((150, 200), (0.12, 0.4), (0.3, 0.65)),
    "black": ((0, 360), (0.0, 0.3), (0.03, 0.2)),
    "pink": ((335, 380), (0.15, 0.45), (0.6, 0.95)),
    "brown": ((18, 45), (0.15, 0.5), (0.25, 0.6)),
}


def draw_mould(canvas: Canvas, rng: Rng, *, under_leaves: bool = False) -> None:
    """Patches of down or powder, dense inside and frayed at the edge."""
    look = MOULD_LOOKS[
        str(rng.choice(list(MOULD_LOOKS), p=[0.34, 0.12, 0.16, 0.1, 0.12, 0.1, 0.06]))
    ]
    size = np.exp(rng.uniform(np.log(7), np.log(90)))
    rows, columns = np.mgrid[:SIDE, :SIDE].astype(np.float32)
    cover = np.full((SIDE, SIDE), -1, np.float32)
    for _ in range(int(rng.integers(1, max(2, int(300 / size))))):
        x, y = rng.uniform(0, SIDE, 2)
        radius = size * rng.uniform(0.4, 1.0)
        distance = np.hypot(columns - x, (rows - y) * rng.uniform(0.7, 1.4)) / radius
        cover = np.maximum(cover, 1.4 - distance)
    frayed = cover + 0.15 * noise(rng, max(size * 0.6, 3), 3) + 0.06 * grain_texture(rng, 1.0)
    alpha = np.clip(frayed * rng.uniform(1.0, 3.0) - 0.35, 0, 1) * rng.uniform(0.55, 1.0)
    alpha *= np.clip(1 + 0.3 * grain_texture(rng, rng.uniform(0.7, 1.6)), 0.3, 1)
    tone = 1 + rng.uniform(0.04, 0.14) * (grain_texture(rng, 1.0) + noise(rng, max(size / 3, 3)))
    on = (canvas.targets == BED) | ((canvas.targets == SHOOT) & (not under_leaves))
    soft = 0.6 if under_leaves else 1.5
    alpha = (alpha * cv2.GaussianBlur(on.astype(np.float32), (0, 0), soft)).astype(np.float32)
    canvas.paint(colour(rng, *look) * tone[..., None], alpha, None)
    smooth = cv2.GaussianBlur(alpha, (0, 0), 1.2)
    canvas.targets[(smooth > 0.1) & (smooth <= 0.28) & on] = IGNORE
    canvas.targets[(smooth > 0.28) & on] = MOULD


GROUNDS = {"soil": draw_soil, "grain": draw_grain, "plain": draw_plain, "gel": draw_gel}
