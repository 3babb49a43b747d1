"""Mould patches: felt on the bed, a haze of fine threads, spore heads and powder."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshes import Array, Mesh, copies, ellipsoid_template, flat_fibres, join, surface
from noise_fields import LayeredField
from seed_bed import Bed, Spot


@dataclass(frozen=True)
class MouldLook:
    """What a patch is made of; colours are linear RGB reflectances."""

    kind: str
    felt: float
    threads: float
    height_mm: float
    thread_colour: tuple[float, float, float]
    centre_colour: tuple[float, float, float]
    rim_colour: tuple[float, float, float]
    rim_share: float
    grain: float
    heads_per_mm2: float
    head_mm: float
    head_colour: tuple[float, float, float]


def _mixed(
    rng: np.random.Generator, *colours: tuple[float, float, float]
) -> tuple[float, float, float]:
    share = rng.dirichlet(np.ones(len(colours)))
    blend = share @ np.array(colours) * rng.uniform(0.85, 1.15)
    return (float(blend[0]), float(blend[1]), float(blend[2]))


WHITES = ((0.92, 0.92, 0.90), (0.86, 0.84, 0.78), (0.78, 0.80, 0.80), (0.70, 0.70, 0.66))


def random_look(rng: np.random.Generator, kind: str) -> MouldLook:
    """A look of the kind: 'white-fuzz', 'grey-green', 'black' or 'pink'."""
    white = _mixed(rng, *WHITES)
    if kind == "white-fuzz":
        return MouldLook(
            kind, rng.choice([0.0, 0.5, 0.8, 1.2]), rng.uniform(1.6, 4.5), rng.uniform(2.5, 13),
            white, white, white, 0.4, rng.uniform(0, 0.1), 0.0, 0.3, white,
        )  # fmt: skip
    if kind == "grey-green":
        centre = _mixed(
            rng, (0.22, 0.33, 0.24), (0.16, 0.27, 0.25), (0.33, 0.38, 0.31), (0.12, 0.19, 0.10),
            (0.28, 0.32, 0.14),
        )  # fmt: skip
        return MouldLook(
            kind, rng.uniform(0.7, 1.0), rng.uniform(0.5, 1.8), rng.uniform(1.0, 4.0), white,
            centre, white, rng.uniform(0.12, 0.5), rng.uniform(0.02, 0.16),
            rng.uniform(0, 2.5), rng.uniform(0.25, 0.5), centre,
        )  # fmt: skip
    if kind == "black":
        grey = _mixed(rng, (0.45, 0.45, 0.44), (0.25, 0.25, 0.27), (0.65, 0.64, 0.60))
        dark = _mixed(rng, (0.02, 0.02, 0.02), (0.05, 0.05, 0.06), (0.08, 0.06, 0.04))
        return MouldLook(
            kind, rng.choice([0.3, 0.6, 0.9]), rng.uniform(0.7, 2.6), rng.uniform(2, 9), grey,
            tuple(0.5 * (np.array(grey) + np.array(dark))), grey, rng.uniform(0.1, 0.4),
            rng.uniform(0.02, 0.16), rng.uniform(0.25, 1.6), rng.uniform(0.4, 1.0), dark,
        )  # fmt: skip
    pink = _mixed(rng, (0.75, 0.36, 0.34), (0.80, 0.45, 0.30), (0.62, 0.25, 0.30), (0.8, 0.6, 0.6))
    return MouldLook(
        kind, rng.uniform(0.6, 1.0), rng.uniform(0.6, 2.6), rng.uniform(1, 6),
        _mixed(rng, white, pink), pink, _mixed(rng, white, pink), rng.uniform(0.1, 0.4),
        rng.uniform(0.0, 0.12), 0.0, 0.3, pink,
    )  # fmt: skip


def _felt(rng: np.random.Generator, bed: Bed, spot: Spot, look: MouldLook) -> Mesh:
    reach = 1.9 * spot.radius_mm + 2
    cell = max(0.45, reach / 160)
    axis = np.arange(-reach, reach, cell)
    x, y = np.meshgrid(spot.x_mm + axis, spot.y_mm + axis, indexing="ij")
    fine, broad = LayeredField(rng, 3.0, 2, 0.7), LayeredField(rng, spot.radius_mm * 0.6 + 2)
    depth = spot.depth_mm(x, y)
    inner = np.clip(depth / spot.radius_mm, 0, 1)
    lump = 0.5 + 0.5 * broad.at(x, y)
    z = bed.top(x, y) + 0.3 + 0.5 * fine.at(x, y) + 0.55 * look.height_mm * inner**0.6 * lump
    blend = np.clip((inner + 0.25 * broad.at(x, y) - look.rim_share) / 0.18, 0, 1)[..., None]
    colour = np.asarray(look.rim_colour) * (1 - blend) + np.asarray(look.centre_colour) * blend
    colour = colour * (1 + 0.16 * fine.at(x, y) + look.grain * rng.normal(0, 1, x.shape))[..., None]
    # The felt frays: its cells are left out at random towards the edge and where it is thin.
    solid = look.felt * (0.45 + 0.9 * np.clip(depth / 3.5, 0, 1)) + 0.25 * fine.at(x, y)
    keep = (depth > 0) & (rng.uniform(0, 1, x.shape) < solid)
    inside = (np.abs(x) < bed.size.length_mm / 2 - 1) & (np.abs(y) < bed.size.width_mm / 2 - 1)
    return surface(x, y, z, colour, keep & inside)


def _inside_points(rng: np.random.Generator, spot: Spot, count: int) -> Array:
    angle = rng.uniform(0, 2 * np.pi, count)
    distance = spot.edge_mm(angle) * np.sqrt(rng.uniform(0, 1, count))
    return np.column_stack(
        [spot.x_mm + distance * np.cos(angle), spot.y_mm + distance * np.sin(angle)]
    )


def _threads(rng: np.random.Generator, bed: Bed, spot: Spot, look: MouldLook) -> Mesh:
    width = float(np.clip(spot.radius_mm / 120, 0.09, 0.22))
    length = float(np.clip(look.height_mm * 1.3, 2.0, 9.0))
    area = np.pi * spot.radius_mm**2
    count = int(min(45000, look.threads * area / (0.7 * width * length)))
    start = _inside_points(rng, spot, count)
    tufts = LayeredField(rng, 6.0)
    keep = rng.uniform(-1.3, 1, count) < tufts.at(start[:, 0], start[:, 1])
    start = start[keep]
    count = len(start)
    inner = np.clip(spot.depth_mm(start[:, 0], start[:, 1]) / spot.radius_mm, 0, 1)
    dome = look.height_mm * (0.25 + 0.75 * inner**0.6)
    rise = rng.beta(1.3, 1.8, count) * dome
    heading = rng.uniform(0, 2 * np.pi, (count, 1)) + np.cumsum(rng.normal(0, 0.6, (count, 6)), 1)
    reach = rng.lognormal(0, 0.35, count) * length / 5 * np.where(inner < 0.12, 1.25, 0.8)
    x = start[:, :1] + np.cumsum(np.cos(heading) * reach[:, None], 1) * 0.8
    y = start[:, 1:] + np.cumsum(np.sin(heading) * reach[:, None], 1) * 0.8
    t = np.linspace(0, 1, 6)
    x = np.clip(x, -bed.size.length_mm / 2 + 1, bed.size.length_mm / 2 - 1)
    y = np.clip(y, -bed.size.width_mm / 2 + 1, bed.size.width_mm / 2 - 1)
    z = bed.top(x, y) + 0.4 + rise[:, None] * np.sin(0.5 * np.pi * t + 0.4) ** 1.5
    z += rng.normal(0, 0.2, z.shape)
    side = rng.normal(0, 1, (count, 3))
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    blend = np.clip((inner - look.rim_share) / 0.25, 0, 1)[:, None] * 0.5
    colour = np.asarray(look.thread_colour) * (1 - blend) + np.asarray(look.centre_colour) * blend
    colour = colour * rng.normal(1, 0.06, (count, 1))
    paths = np.stack([x, y, z], 2)
    widths = np.broadcast_to(width * np.linspace(1.1, 0.6, 6), (count, 6))
    return flat_fibres(paths, widths, np.broadcast_to(colour[:, None], paths.shape), side)


def _heads(rng: np.random.Generator, bed: Bed, spot: Spot, look: MouldLook) -> Mesh:
    count = int(min(6000, look.heads_per_mm2 * np.pi * spot.radius_mm**2))
    where = _inside_points(rng, spot, count)
    inner = np.clip(spot.depth_mm(where[:, 0], where[:, 1]) / spot.radius_mm, 0, 1)
    keep = rng.uniform(0, 1, count) < np.clip(inner * 2.5, 0.1, 1)
    where, inner = where[keep], inner[keep]
    lift = rng.uniform(0.3, 1.0, len(where)) * look.height_mm * (0.3 + 0.7 * inner)
    z = bed.top(where[:, 0], where[:, 1]) + 0.6 + lift
    scale = look.head_mm / 2 * rng.lognormal(0, 0.25, len(where))
    frames = np.eye(3)[None] * scale[:, None, None]
    tone = np.asarray(look.head_colour) * rng.uniform(0.6, 1.5, (len(where), 1, 1))
    shape = ellipsoid_template(4, 5, point=1.0)
    return copies(shape, np.column_stack([where, z]), frames, tone)


def mould_patch(rng: np.random.Generator, bed: Bed, spot: Spot, look: MouldLook) -> Mesh:
    """One patch of the look inside the spot's outline."""
    parts = [_threads(rng, bed, spot, look)]
    if look.felt > 0.05:
        parts.append(_felt(rng, bed, spot, look))
    if look.heads_per_mm2 > 0:
        parts.append(_heads(rng, bed, spot, look))
    return join(parts)
