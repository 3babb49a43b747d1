"""Trays, the shelf under them and the things that lie about: label, hose, finger, drops."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from kit_geometry import BAR_MM, TraySize
from meshes import Array, Mesh, box, copies, ellipsoid_template, join, quads, surface, tubes
from noise_fields import LayeredField

Colour = Sequence[float]


def _ring(inner: Array, outer: Array, colour: Array) -> Mesh:
    following = [1, 2, 3, 0]
    return quads(
        np.stack([inner, outer, outer[following], inner[following]], 1),
        np.broadcast_to(colour, (4, 3)),
    )


def _rectangle(x_low: float, x_high: float, half_y: float, z: float) -> Array:
    return np.array(
        [[x_low, -half_y, z], [x_high, -half_y, z], [x_high, half_y, z], [x_low, half_y, z]]
    )


def tray_mesh(
    rng: np.random.Generator, size: TraySize, colour: Colour, *, rim_mm: float, taper_mm: float
) -> Mesh:
    """An open tray: floor with ribs, walls, rim, skirt. The strip's wall (+X) stands upright."""
    x, y, depth = size.length_mm / 2, size.width_mm / 2, size.depth_mm
    end = x + BAR_MM + rng.uniform(1, 6)
    tone = np.asarray(colour)
    top = _rectangle(-x, x, y, -0.4)
    floor = _rectangle(-x + taper_mm, x, y - taper_mm, -depth)
    outer = _rectangle(-end, end, y + rim_mm, -0.4)
    lip = _rectangle(-end, end, y + rim_mm, -rng.uniform(5, 14))
    waist = _rectangle(-x - 3, x + 3, y + 3, lip[0, 2])
    foot = _rectangle(-x + taper_mm - 2, x + 2, y - taper_mm + 2, -depth - 2)
    parts = [
        _ring(floor, top, tone * 0.97),
        _ring(top, outer, tone),
        _ring(outer, lip, tone * 0.98),
        _ring(lip, waist, tone * 0.8),
        _ring(waist, foot, tone * 0.95),
        quads(floor[None], tone[None] * 0.95),
    ]
    for rib in np.arange(-x + 30, x - 20, rng.uniform(28, 60)):
        parts.append(
            box((rib, -y + taper_mm, -depth), (rib + 3, y - taper_mm, -depth + 1.2), tone * 0.95)
        )
    return join(parts)


def shelf_mesh(rng: np.random.Generator, kind: str, z: float) -> Mesh:
    """A shelf plate of 'metal', 'dark', 'wood', 'paint', 'tiles' or plastic 'mesh'."""
    palette = {
        "metal": [(0.32, 0.33, 0.34), (0.45, 0.46, 0.47), (0.55, 0.56, 0.56)],
        "dark": [(0.10, 0.10, 0.11), (0.16, 0.16, 0.17), (0.06, 0.06, 0.07)],
        "wood": [(0.32, 0.19, 0.10), (0.42, 0.28, 0.16), (0.22, 0.12, 0.06), (0.5, 0.37, 0.22)],
        "paint": [(0.62, 0.62, 0.60), (0.25, 0.35, 0.42), (0.50, 0.44, 0.34), (0.75, 0.74, 0.7)],
        "tiles": [(0.60, 0.58, 0.54), (0.45, 0.42, 0.4)],
        "mesh": [(0.5, 0.5, 0.48), (0.12, 0.13, 0.13), (0.2, 0.3, 0.24)],
    }[kind]
    base = np.array(palette[rng.integers(len(palette))]) * rng.uniform(0.8, 1.2)
    x, y = np.meshgrid(np.arange(-1300, 1301, 9.0), np.arange(-1200, 1201, 2.5), indexing="ij")
    turn = rng.choice([0.0, np.pi / 2]) if kind != "mesh" else 0.0
    u, v = x * np.cos(turn) + y * np.sin(turn), -x * np.sin(turn) + y * np.cos(turn)
    broad = LayeredField(rng, 260.0).at(x, y)
    stretch = LayeredField(rng, 24.0, 4, 0.7).at(u / 30.0, v)
    relief = {"metal": 0.06, "dark": 0.05, "wood": 0.28, "paint": 0.03}.get(kind, 0.04)
    tone = 1 + relief * 1.6 * stretch + 0.09 * broad
    if kind == "wood":
        seam = np.abs((v / 140.0) % 1.0 - 0.5) > 0.492
        tone = np.where(seam, 0.45 * tone, tone)
    if kind in {"tiles", "mesh"}:
        pitch, share = (150.0, 0.49) if kind == "tiles" else (24.0, 0.32)
        line = np.maximum(np.abs((x / pitch) % 1 - 0.5), np.abs((y / pitch) % 1 - 0.5))
        tone = np.where(line > share, tone, tone * (0.5 if kind == "mesh" else 0.95))
    return surface(x, y, np.full_like(x, z), base * tone[..., None], None)


def paper_label(rng: np.random.Generator, size: TraySize, rim_mm: float) -> Mesh:
    """A written paper label stuck over the long side's rim."""
    side = rng.choice([-1.0, 1.0])
    x = rng.uniform(-0.35, 0.35) * size.length_mm
    y = side * (size.width_mm / 2 + rim_mm - 4)
    width, height = rng.uniform(40, 70), rng.uniform(18, 30)
    paper = np.array([0.78, 0.77, 0.72]) * rng.uniform(0.85, 1.08)
    u, v = np.meshgrid(np.linspace(-0.5, 0.5, 60), np.linspace(-0.5, 0.5, 30), indexing="ij")
    scrawl = np.sin(60 * u + 5 * np.sin(31 * u + rng.uniform(0, 6))) * 0.06
    lines = np.abs(((v + 0.5) * 3) % 1 - 0.5 - scrawl * 3) < 0.09
    ink = lines & (np.abs(v) < 0.33) & (u > -0.42) & (u < rng.uniform(0.1, 0.4))
    colour = np.where(ink[..., None], [0.06, 0.07, 0.16], paper)
    turn = rng.normal(0, 0.1)
    a, b = u * width, v * height
    return surface(
        x + a * np.cos(turn) - b * np.sin(turn), y + a * np.sin(turn) + b * np.cos(turn),
        1.5 + 1.2 * np.sin(3 * u), colour, None,
    )  # fmt: skip


def hose(rng: np.random.Generator, size: TraySize, height_mm: float) -> Mesh:
    """A hose slung across above the tray."""
    angle, offset = rng.uniform(0, np.pi), rng.uniform(-0.35, 0.35) * size.length_mm
    t = np.linspace(-1, 1, 30)
    bow = rng.normal(0, 40) * t**2
    x = offset + 900 * t * np.cos(angle) - bow * np.sin(angle)
    y = 900 * t * np.sin(angle) + bow * np.cos(angle)
    z = np.full(30, height_mm) + 8 * np.sin(3 * t)
    colours = [(0.03, 0.12, 0.45), (0.7, 0.7, 0.68), (0.02, 0.02, 0.02), (0.05, 0.3, 0.1),
               (0.6, 0.1, 0.05), (0.75, 0.6, 0.1)]  # fmt: skip
    tone = np.array(colours[rng.integers(len(colours))])
    paths = np.stack([x, y, z], 1)[None]
    return tubes(
        paths, np.full((1, 30), rng.uniform(2.5, 6.5)), np.broadcast_to(tone, (1, 30, 3)), sides=12
    )


def finger(rng: np.random.Generator, tip: Array, outward: Array) -> Mesh:
    """A finger lying over ``tip``, coming from ``outward``."""
    t = np.linspace(0, 1, 12)
    away = outward / np.linalg.norm(outward)
    path = tip + away * (150 * t)[:, None] + np.array([0, 0, 1.0]) * (9 + 55 * t**1.5)[:, None]
    radius = np.minimum(9.0, 9.0 * np.sqrt(np.maximum(1 - (1 - t / 0.09) ** 2, 0.03)) * (t < 0.09)
                        + 9.0 * (t >= 0.09)) + 2 * t  # fmt: skip
    skins = [(0.58, 0.33, 0.23), (0.35, 0.19, 0.12), (0.65, 0.42, 0.32), (0.20, 0.10, 0.06),
             (0.12, 0.22, 0.5), (0.7, 0.7, 0.7)]  # fmt: skip
    tone = np.array(skins[rng.integers(len(skins))])
    return tubes(path[None], radius[None], np.broadcast_to(tone, (1, 12, 3)), sides=16)


def scraps(rng: np.random.Generator, points: Array) -> Mesh:
    """Small white or brown paper scraps lying at the points (n, 3)."""
    parts = []
    for point in points:
        angle = np.sort(rng.uniform(0, 2 * np.pi, 4))
        reach = rng.uniform(2, 8, 4)
        corner = np.stack(
            [reach * np.cos(angle), reach * np.sin(angle), rng.uniform(0.5, 2.5, 4)], 1
        )
        tone = np.array([0.8, 0.79, 0.75]) if rng.uniform() < 0.7 else np.array([0.35, 0.24, 0.14])
        parts.append(quads((point + corner)[None], tone[None]))
    return join(parts)


def drops(rng: np.random.Generator, points: Array, radii: Array, colours: Array) -> Mesh:
    """Water drops as glossy caps that take the colour beneath; points (n, 3), radii (n,)."""
    frames = np.eye(3)[None] * radii[:, None, None] * np.array([1.0, 1.0, 0.45])
    frames = frames * rng.uniform(0.8, 1.2, (len(points), 3))[:, None, :]
    shape = ellipsoid_template(6, 8, point=1.0)
    return copies(shape, points, frames, colours[:, None] * 0.9)


def wet_patch(
    rng: np.random.Generator, centre: Array, tones: tuple[Array, Array], black: Array
) -> Mesh:
    """Drops over a tag chip at z = 0: each vertex keeps the tone of the printed cell beneath."""
    count = int(rng.integers(6, 22))
    radii = rng.uniform(0.8, 4.0, count)
    where = np.column_stack([centre[:2] + rng.uniform(-17, 17, (count, 2)), np.full(count, 0.02)])
    shape, faces = ellipsoid_template(9, 14, point=1.0)
    ball = shape[:, [1, 2, 0]] * np.array([1.0, 1.0, 0.22])
    vertices = where[:, None] + ball * radii[:, None, None]
    # A drop shows a slightly smaller picture of what lies beneath it.
    seen = where[:, None, :2] + 0.8 * (vertices - where[:, None])[..., :2] - centre[:2]
    row = np.clip(((15 - seen[..., 0]) / 3.75).astype(int) + 1, 0, 9)
    column = np.clip(((15 - seen[..., 1]) / 3.75).astype(int) + 1, 0, 9)
    colours = np.where(black[row, column][..., None], tones[1], tones[0])
    stride = np.arange(count)[:, None, None] * len(shape)
    return Mesh(
        vertices.reshape(-1, 3).astype(np.float32),
        (faces + stride).reshape(-1, 3).astype(np.uint32),
        (colours.reshape(-1, 3) * 0.95).astype(np.float32),
    )


def phone_with_tag(pattern: Array, place: Array, z: float) -> Mesh:
    """A phone lying on the shelf that shows a tag on its screen."""
    x, y = float(place[0]), float(place[1])
    body = box((x - 75, y - 36, z), (x + 75, y + 36, z + 8), (0.02, 0.02, 0.02))
    row, column = np.meshgrid(np.arange(10), np.arange(10), indexing="ij")
    corner = np.stack([row, column], -1).reshape(-1, 2)
    around = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    flat = (corner[:, None] + around - 5) * 5.5
    corners = np.concatenate([flat + [x, y], np.full((100, 4, 1), z + 8.2)], 2)
    tone = np.where(pattern.reshape(-1, 1), 0.02, 0.95) * np.ones(3)
    return join([body, quads(corners, tone)])
