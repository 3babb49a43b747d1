"""Things that lie over a tray or are held into the picture, drawn or cut out of photographs.

Labels, cloths, hands, tools, cups: whatever they are, what is below them cannot be told. Drawn ones
vary widely in colour, size and shade; cut-out ones are photographs with transparent ground.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from trayvision.network.drawing import IGNORE, SIDE, THING, Canvas, FloatImage, Rng, colour

Cutout = npt.NDArray[np.uint8]

_SMALLEST_CUTOUT_PX, _LARGEST_CUTOUT_PX = 40, 400


@dataclass(frozen=True)
class Thing:
    """Something to lay over a picture: `rgb` (n, n, 3) 0 to 1 and how opaque it is (n, n)."""

    rgb: FloatImage
    alpha: FloatImage


def draw_thing(rng: Rng, side_px: int, cutouts: Sequence[Cutout]) -> Thing:
    """A thing that fills most of a square.

    Parameters
    ----------
    rng : numpy Generator
    side_px : int
        Side of the square.
    cutouts : sequence of (h, w, 4) uint8 arrays
        Photographs of things, RGB with transparency; may be empty.
    """
    if len(cutouts) and rng.random() < 0.4:
        return _cut_out(rng, side_px, cutouts[int(rng.integers(len(cutouts)))])
    draw = _DRAWN[int(rng.choice(len(_DRAWN), p=[0.3, 0.25, 0.25, 0.12, 0.08]))]
    return draw(rng, side_px)


def lay_things(canvas: Canvas, rng: Rng, cutouts: Sequence[Cutout]) -> None:
    """Lay one to four things over a picture; what they hide is `THING`, whatever it was."""
    for _ in range(int(rng.integers(1, 5))):
        side = int(np.exp(rng.uniform(np.log(20), np.log(320))))
        thing = draw_thing(rng, side, cutouts)
        left, top = (rng.uniform(0, SIDE, 2) - side / 2).astype(int).tolist()
        hidden = lay_over(canvas.rgb, thing, top, left, rng)
        canvas.targets[(hidden > 0.15) & (hidden < 0.6)] = IGNORE
        canvas.targets[hidden >= 0.6] = THING


def lay_over(rgb: FloatImage, thing: Thing, top: int, left: int, rng: Rng) -> FloatImage:
    """Lay a thing and its shadow over a picture in place, and tell how much of it is hidden.

    Parameters
    ----------
    rgb : (h, w, 3) float32 array
        0 to 1; changed.
    thing : Thing
    top, left : int
        Where the square's corner lies; may be outside.

    Returns
    -------
    (h, w) float32 array
        0 to 1.
    """
    height, width = rgb.shape[:2]
    hidden = np.zeros((height, width), np.float32)
    side = len(thing.alpha)
    rows, columns = (
        slice(max(0, top), min(height, top + side)),
        slice(max(0, left), min(width, left + side)),
    )
    if rows.start >= rows.stop or columns.start >= columns.stop:
        return hidden
    inside = (
        slice(rows.start - top, rows.stop - top),
        slice(columns.start - left, columns.stop - left),
    )
    hidden[rows, columns] = thing.alpha[inside]
    reach = float(rng.uniform(1, 10))
    moved = np.array([[1, 0, rng.normal(0, reach)], [0, 1, rng.normal(0, reach)]], np.float32)
    soft = cv2.GaussianBlur(hidden, (0, 0), reach)
    shadow = np.asarray(cv2.warpAffine(soft, moved, (width, height)), np.float32)
    rgb *= (1 - np.float32(rng.uniform(0, 0.6)) * shadow)[..., None]
    piece, alpha = rgb[rows, columns], thing.alpha[inside]
    piece += (thing.rgb[inside] - piece) * alpha[..., None]
    return hidden


def read_cutouts(pictures: Sequence[Path]) -> list[Cutout]:
    """Photographs of things with transparent ground.

    Parameters
    ----------
    pictures : sequence of Path
        PNG pictures, and folders of such; those without transparency or small ones are left out.

    Returns
    -------
    list of (h, w, 4) uint8 arrays
        RGB and opacity, none wider or higher than 400 px.

    Raises
    ------
    FileNotFoundError
        If there is no such picture at a path.
    """
    cutouts = []
    for given in pictures:
        files = sorted(given.rglob("*.png")) if given.is_dir() else [given]
        if not files or not files[0].is_file():
            raise FileNotFoundError(f"things must name PNG pictures or folders, got {given}")
        for path in files:
            with Image.open(path) as picture:
                picture.thumbnail((_LARGEST_CUTOUT_PX, _LARGEST_CUTOUT_PX))
                shown = np.asarray(picture.convert("RGBA"))
            if shown[..., 3].min() == 0 and min(shown.shape[:2]) >= _SMALLEST_CUTOUT_PX:
                cutouts.append(shown)
    return cutouts


def _cut_out(rng: Rng, side: int, cutout: Cutout) -> Thing:
    height, width = cutout.shape[:2]
    scale = 0.95 * side / np.hypot(height, width)
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), float(rng.uniform(0, 360)), scale)
    matrix = np.asarray(turn, np.float64)
    matrix[:, 2] += side / 2 - np.array([width / 2, height / 2])
    # Before it is shrunk, blurred: else it is sharper than its surroundings.
    soft = cv2.GaussianBlur(cutout, (0, 0), max(0.4 / scale, 0.3))
    turned = cv2.warpAffine(soft, matrix, (side, side)).astype(np.float32) / np.float32(255)
    rgb = turned[..., :3] * np.float32(rng.uniform(0.6, 1.2))
    return Thing(np.clip(rgb, 0, 1), np.ascontiguousarray(turned[..., 3]))


def _label(rng: Rng, side: int) -> Thing:
    """A card, mostly written on."""
    paper = colour(rng, (20, 70), (0.0, 0.25), (0.6, 1.0))
    if rng.random() < 0.3:
        paper = colour(rng, (0, 360), (0.1, 0.8), (0.3, 1.0))
    long = side * rng.uniform(0.5, 0.8)
    narrow = long * rng.uniform(0.2, 0.75)
    x, y = _along(side, float(rng.uniform(0, 2 * np.pi)))
    edge = np.minimum(long / 2 - abs(x), narrow / 2 - abs(y))
    rgb = np.broadcast_to(paper, (side, side, 3)) * _slope(rng, side, 0.15)
    if rng.random() < 0.7:
        lines = rng.uniform(2, 6)
        written = np.sin(y / narrow * 2 * np.pi * lines) > rng.uniform(0.3, 0.9)
        written &= np.sin(x * rng.uniform(0.3, 1.5) + 3 * np.sin(x * 0.17)) > rng.uniform(-0.9, 0.3)
        written &= (edge > 0.1 * narrow) & (x < long * rng.uniform(-0.2, 0.5))
        ink = cv2.GaussianBlur(written.astype(np.float32), (0, 0), 0.6)[..., None]
        rgb = rgb + (colour(rng, (0, 360), (0, 0.6), (0.05, 0.5)) - rgb) * ink
    return Thing(_finished(rng, rgb), np.clip(edge + 0.5, 0, 1))


def _cloth(rng: Rng, side: int) -> Thing:
    """A rag or paper towel with folds and a weave."""
    dyed = rng.random() < 0.4
    tint = colour(rng, (0, 360), (0.2, 0.7) if dyed else (0.0, 0.12), (0.25 if dyed else 0.65, 1.0))
    x, y = _along(side, float(rng.uniform(0, 2 * np.pi)))
    outline = 0.33 * side * (1 + 0.2 * _field(rng, side, side / 3))
    corner = rng.uniform(2, 8)
    far = (abs(x) ** corner + abs(rng.uniform(0.8, 1.6) * y) ** corner) ** (1 / corner)
    alpha = np.clip(outline - far + 0.5, 0, 1)
    folds = sum(
        np.sin(2 * np.pi * (x * np.cos(a) + y * np.sin(a)) / (side * w) + 2 * _field(rng, side, 40))
        for a, w in zip(rng.uniform(0, 3, 3), rng.uniform(0.1, 0.6, 3), strict=True)
    )
    weave = np.sin(x * rng.uniform(1, 3)) * np.sin(y * rng.uniform(1, 3))
    tone = 1 + rng.uniform(0.02, 0.12) * folds + rng.uniform(0, 0.06) * weave
    if rng.random() < 0.3:
        stripes = (np.sin(x * 2 * np.pi / rng.uniform(6, 40)) > rng.uniform(0, 0.8))[..., None]
        tint = np.where(stripes, colour(rng, (0, 360), (0.3, 0.9), (0.2, 0.9)), tint)
    return Thing(_finished(rng, tint * tone[..., None]), alpha.astype(np.float32))


_SKINS = (((12, 30), (0.2, 0.55), (0.3, 0.95)), ((12, 30), (0.35, 0.6), (0.15, 0.4)))
_GLOVES = (((190, 250), (0.2, 0.8), (0.3, 0.9)), ((0, 60), (0.0, 0.1), (0.6, 1.0)),
           ((40, 60), (0.3, 0.8), (0.5, 0.9)), ((0, 360), (0.0, 0.2), (0.05, 0.2)))  # fmt: skip


def _hand(rng: Rng, side: int) -> Thing:
    """Fingers and a palm, rounded, bare or gloved."""
    looks = _GLOVES if rng.random() < 0.3 else _SKINS
    tint = colour(rng, *looks[int(rng.integers(len(looks)))])
    x, y = _along(side, float(rng.uniform(0, 2 * np.pi)))
    thick = side * rng.uniform(0.05, 0.075)
    palm = side * np.array([-0.22, 0.0])
    bulge = 1 - np.hypot((x - palm[0]) / (0.28 * side), (y - palm[1]) / (0.2 * side))
    height = np.clip(bulge, 0, 1) ** 0.5 * thick * 1.5
    inside = bulge * 0.2 * side
    for index in range(int(rng.integers(1, 6))):
        root = side * np.array([-0.05, 0.14 - 0.09 * index]) + rng.normal(0, 2, 2)
        angle = rng.normal(0.25 - 0.12 * index, 0.15)
        length = side * rng.uniform(0.2, 0.42)
        reach = np.clip((x - root[0]) * np.cos(angle) + (y - root[1]) * np.sin(angle), 0, length)
        across = np.hypot(x - root[0] - reach * np.cos(angle), y - root[1] - reach * np.sin(angle))
        inside = np.maximum(inside, thick - across)
        height = np.maximum(height, np.sqrt(np.clip(thick**2 - across**2, 0, None)))
    if rng.random() < 0.5:
        arm = np.where(x < palm[0], 0.13 * side - abs(y), -side)
        inside = np.maximum(inside, arm)
        height = np.maximum(height, np.sqrt(np.clip(arm, 0, None) * 0.1 * side))
    alpha = np.clip(inside + 0.5, 0, 1)
    shade = _relief(rng, height)
    wrinkled = 1 + 0.04 * _field(rng, side, 3) + 0.06 * _field(rng, side, 15)
    return Thing(_finished(rng, tint * (shade * wrinkled)[..., None]), alpha)


def _tool(rng: Rng, side: int) -> Thing:
    """A handle, stick, scoop or knife: long and rounded."""
    metal = rng.random() < 0.4
    tint = colour(rng, (0, 360), (0, 0.08) if metal else (0.0, 0.9), (0.2, 0.95))
    x, y = _along(side, float(rng.uniform(0, 2 * np.pi)))
    half = side * rng.uniform(0.02, 0.12) * (1 + 0.4 * np.tanh(x - rng.uniform(-0.3, 0.3) * side))
    edge = np.minimum(half - abs(y), 0.47 * side - abs(x))
    round_ = np.sqrt(np.clip(1 - (y / half) ** 2, 0, 1)) * half
    shade = _relief(rng, round_)
    shine = np.exp(-(((y / half - rng.uniform(-0.5, 0.5)) / rng.uniform(0.05, 0.3)) ** 2))
    rgb = tint * shade[..., None] + (rng.uniform(0, 0.7) * shine)[..., None]
    return Thing(_finished(rng, rgb), np.clip(edge + 0.5, 0, 1))


def _vessel(rng: Rng, side: int) -> Thing:
    """A cup, lid or bowl from above: rings of one tint."""
    tint = colour(rng, (0, 360), (0.0, 0.7), (0.1, 1.0))
    x, y = _along(side, float(rng.uniform(0, 2 * np.pi)))
    far = np.hypot(x, y * rng.uniform(1.0, 1.5)) / (0.46 * side)
    rings = sum(
        d * np.exp(-(((far - at) / 0.03) ** 2))
        for at, d in zip(rng.uniform(0.4, 1, 3), rng.normal(0, 0.3, 3), strict=True)
    )
    lit = 1 + rng.uniform(0.0, 0.4) * x / side * np.sign(far - 0.8) + rings
    return Thing(
        _finished(rng, tint * lit[..., None]), np.clip((1 - far) * 0.46 * side + 0.5, 0, 1)
    )


_DRAWN: tuple[Callable[[Rng, int], Thing], ...] = (_label, _cloth, _hand, _tool, _vessel)


def _along(side: int, angle: float) -> tuple[FloatImage, FloatImage]:
    """Coordinates from the middle of a square, turned."""
    rows, columns = np.mgrid[:side, :side].astype(np.float32) - np.float32((side - 1) / 2)
    cos, sin = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    return columns * cos + rows * sin, rows * cos - columns * sin


def _field(rng: Rng, side: int, cell_px: float) -> FloatImage:
    """(side, side) smooth noise of about unit variance."""
    knots = max(2, round(side / max(cell_px, 1.0)))
    field = rng.standard_normal((knots, knots)).astype(np.float32)
    return np.asarray(cv2.resize(field, (side, side), interpolation=cv2.INTER_CUBIC), np.float32)


def _slope(rng: Rng, side: int, most: float) -> FloatImage:
    x, _ = _along(side, float(rng.uniform(0, 2 * np.pi)))
    return np.asarray(1 + rng.uniform(0, most) * x / side, np.float32)[..., None]


def _relief(rng: Rng, height: FloatImage) -> FloatImage:
    """Shade of a rounded surface of the given height in px."""
    down, right = np.gradient(cv2.GaussianBlur(height.astype(np.float32), (0, 0), 1.5))
    lit = rng.uniform(0, 2 * np.pi)
    upright = 1 / np.sqrt(1 + down**2 + right**2)
    aslant = (right * np.cos(lit) + down * np.sin(lit)) * upright
    return np.asarray(0.35 + 0.65 * upright + rng.uniform(0, 0.35) * aslant, np.float32)


def _finished(rng: Rng, rgb: npt.NDArray[np.floating]) -> FloatImage:
    grain = rng.normal(0, rng.uniform(0, 0.02), rgb.shape[:2])[..., None]
    return np.clip(rgb + grain, 0, 1).astype(np.float32)
