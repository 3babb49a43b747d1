"""Drawn pictures with known classes, to make the rule one for plants and not for trays only.

Grounds (soil, grain, plain surfaces, wet gels), leaves from blades and closed stands to a single
leaf that fills the picture, sharp or out of focus, roots with hairs, mould on leaves and on grain,
and things that pass for mould: glare, droplets, white stones, paper. Nothing here looks real;
colours, sizes and textures vary so widely that only what holds for all of them can be learnt.
"""

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.network.drawing import (
    BED,
    HARMLESS,
    IGNORE,
    MOULD,
    MOULDLESS,
    SHOOT,
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
from trayvision.network.drawn_gaps import draw_floor
from trayvision.network.drawn_grounds import GROUNDS, draw_strewn_kernels
from trayvision.network.drawn_leaves import draw_blades, draw_broad_leaves, fill_with_leaf
from trayvision.network.drawn_stands import defocus, draw_long_leaves, draw_stand
from trayvision.network.drawn_water import draw_droplets, draw_glare, draw_sheen
from trayvision.network.things import Cutout, lay_things


def compose(seed: int) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """One drawn picture: RGB (SIDE, SIDE, 3) and targets (SIDE, SIDE), the same for a seed."""
    rng = np.random.default_rng(seed)
    canvas = Canvas(
        np.zeros((SIDE, SIDE, 3), np.float32), np.full((SIDE, SIDE), HARMLESS, np.uint8)
    )
    scene = rng.choice(
        ["empty", "rosettes", "blades", "leaf", "long leaves", "stand", "grain", "roots"],
        p=[0.09, 0.22, 0.12, 0.12, 0.08, 0.1, 0.13, 0.14],
    )
    ground = rng.choice(["soil", "grain", "plain", "gel"], p=[0.4, 0.25, 0.25, 0.1])
    if scene == "empty":
        ground = rng.choice(["soil", "plain"], p=[0.75, 0.25])
    if scene in ("grain", "roots"):
        ground = rng.choice(["grain", "grain", "gel", "plain"])
    GROUNDS[str(ground)](canvas, rng)
    if scene == "roots" or (scene == "empty" and rng.random() < 0.3):
        draw_roots(canvas, rng)
    if scene in LEAVES:
        LEAVES[str(scene)](canvas, rng)
    if ground in ("plain", "gel") and rng.random() < 0.3:
        draw_strewn_kernels(canvas, rng)
    can_rot = scene != "empty" and ground != "gel"
    for draw, share in (
        (draw_glare, 0.4),
        (draw_paper, 0.25),
        (draw_mould, 0.4 * can_rot),
        (draw_droplets, 0.3),
        (defocus, 0.25),
    ):
        if rng.random() < share:
            draw(canvas, rng)
    light = 1 + 0.15 * noise(rng, 200)[..., None]
    rgb = np.clip(canvas.rgb * light, 0, 1)
    return (rgb * 255).round().astype(np.uint8), canvas.targets


def overgrow(
    rgb: npt.NDArray[np.uint8], targets: npt.NDArray[np.uint8], seed: int
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """A (SIDE, SIDE) piece of a light-corrected picture with mould and bare floor drawn into it."""
    rng = np.random.default_rng(seed)
    canvas = _piece(rgb, targets, rng)
    if rng.random() < 0.6:
        draw_floor(canvas, rng)
    draw_mould(canvas, rng, under_leaves=bool(rng.random() < 0.75))
    if rng.random() < 0.3:
        draw_glare(canvas, rng)
    if rng.random() < 0.25:
        draw_droplets(canvas, rng)
    return (np.clip(canvas.rgb, 0, 1) * 255).round().astype(np.uint8), canvas.targets


def cover(
    rgb: npt.NDArray[np.uint8],
    targets: npt.NDArray[np.uint8],
    seed: int,
    cutouts: Sequence[Cutout] = (),
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """A (SIDE, SIDE) piece of a light-corrected picture with things laid over it."""
    rng = np.random.default_rng(seed)
    canvas = _piece(rgb, targets, rng)
    if rng.random() < 0.4:
        draw_mould(canvas, rng)
    if rng.random() < 0.3:
        draw_sheen(canvas, rng)
    lay_things(canvas, rng, cutouts)
    return (np.clip(canvas.rgb, 0, 1) * 255).round().astype(np.uint8), canvas.targets


def overgrow_leaves(
    rgb: npt.NDArray[np.uint8], leaves: npt.NDArray[np.bool_], seed: int
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """A (SIDE, SIDE) piece of a photograph without mould, with mould drawn onto its leaves.

    Otherwise a network could learn that whatever looks like a photograph has no mould.

    Parameters
    ----------
    rgb : (h, w, 3) uint8 array
    leaves : (h, w) bool array
        Where mould may grow, some of it; the piece is cut around one of these pixels.
    seed : int

    Returns
    -------
    rgb : (SIDE, SIDE, 3) uint8 array
    targets : (SIDE, SIDE) uint8 array
        `MOULD`, `IGNORE` along its edge, and `MOULDLESS`.
    """
    rng = np.random.default_rng(seed)
    rows, columns = np.nonzero(leaves)
    chosen = rng.integers(rows.size)
    top, left = (
        int(np.clip(at - SIDE // 2, 0, max(0, side - SIDE)))
        for at, side in zip((rows[chosen], columns[chosen]), leaves.shape, strict=True)
    )
    near = (slice(top, top + SIDE), slice(left, left + SIDE))
    canvas = _piece(rgb[near], np.where(leaves[near], SHOOT, HARMLESS).astype(np.uint8), rng)
    draw_mould(canvas, rng)
    without = np.isin(canvas.targets, (SHOOT, HARMLESS))
    canvas.targets[without] = MOULDLESS
    return (np.clip(canvas.rgb, 0, 1) * 255).round().astype(np.uint8), canvas.targets


def _piece(rgb: npt.NDArray[np.uint8], targets: npt.NDArray[np.uint8], rng: Rng) -> Canvas:
    """A piece of a picture to draw on, from anywhere in it; mirrored where it is too small."""
    lacking = [max(0, SIDE - side) for side in targets.shape]
    edges = (0, lacking[0], 0, lacking[1], cv2.BORDER_REFLECT_101)
    rgb, targets = (
        np.asarray(cv2.copyMakeBorder(image, *edges), dtype=np.uint8) for image in (rgb, targets)
    )
    top = int(rng.integers(targets.shape[0] - SIDE + 1))
    left = int(rng.integers(targets.shape[1] - SIDE + 1))
    piece = (slice(top, top + SIDE), slice(left, left + SIDE))
    return Canvas(rgb[piece].astype(np.float32) / np.float32(255), targets[piece].copy())


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
    cover = blobs(rng, size, int(rng.integers(1, max(2, int(300 / size)))))
    frayed = cover + 0.15 * noise(rng, max(size * 0.6, 3), 3) + 0.06 * grain_texture(rng, 1.0)
    alpha = np.clip(frayed * rng.uniform(1.0, 3.0) - 0.35, 0, 1) * rng.uniform(0.55, 1.0)
    alpha *= np.clip(1 + 0.3 * grain_texture(rng, rng.uniform(0.7, 1.6)), 0.3, 1)
    if rng.random() < 0.5:
        alpha = np.maximum(alpha, _down(rng, frayed, size) * rng.uniform(0.4, 0.9))
    grain = grain_texture(rng, rng.uniform(0.6, 1.5)) + noise(rng, max(size / 3, 3))
    tone = 1 + rng.uniform(0.05, 0.22) * grain
    on = (canvas.targets == BED) | ((canvas.targets == SHOOT) & (not under_leaves))
    soft = 0.6 if under_leaves else 1.5
    alpha = (alpha * cv2.GaussianBlur(on.astype(np.float32), (0, 0), soft)).astype(np.float32)
    canvas.paint(colour(rng, *look) * tone[..., None], alpha, None)
    smooth = cv2.GaussianBlur(alpha, (0, 0), 1.2)
    canvas.targets[(smooth > 0.1) & (smooth <= 0.28) & on] = IGNORE
    canvas.targets[(smooth > 0.28) & on] = MOULD


def _down(rng: Rng, frayed: FloatImage, size: float) -> FloatImage:
    """Fine threads lying every way on a patch and a little beyond its edge."""
    threads = np.zeros((SIDE, SIDE), np.float32)
    rows, columns = np.nonzero(frayed > 0.1)
    for _ in range(min(rows.size // 12, 4000)):
        at = rng.integers(rows.size)
        start = np.array([columns[at], rows[at]], float)
        path = curve(rng, start, rng.uniform(4, 0.5 * size + 5), 1.5)
        cv2.polylines(threads, [path], False, float(rng.uniform(0.3, 1)), 1, cv2.LINE_AA)
    return threads


LEAVES = {
    "rosettes": draw_broad_leaves,
    "blades": draw_blades,
    "leaf": fill_with_leaf,
    "long leaves": draw_long_leaves,
    "stand": draw_stand,
}
