"""The grain bed: its surface, kernels, roots, root hairs, husks and the slime film."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kit_geometry import TraySize
from meshes import Array, Mesh, copies, ellipsoid_template, flat_fibres, hairs, join, surface, tubes
from noise_fields import LayeredField, jittered

CELL_MM = 2.0


@dataclass(frozen=True)
class Spot:
    """An irregular round spot: centre, mean radius and its lobes (amplitude, phase) by order."""

    x_mm: float
    y_mm: float
    radius_mm: float
    lobes: tuple[tuple[float, float], ...]

    def edge_mm(self, angle: Array) -> Array:
        """Distance of the outline from the centre in each direction."""
        swing = sum(a * np.cos((k + 2) * angle + p) for k, (a, p) in enumerate(self.lobes))
        return np.asarray(self.radius_mm * np.maximum(1 + swing, 0.25))

    def depth_mm(self, x: Array, y: Array) -> Array:
        """How far inside the outline a point lies; negative outside."""
        dx, dy = x - self.x_mm, y - self.y_mm
        return np.asarray(self.edge_mm(np.arctan2(dy, dx)) - np.hypot(dx, dy))

    def outline_mm(self, points: int = 48) -> Array:
        """The outline as (points, 2)."""
        angle = np.arange(points) * 2 * np.pi / points
        edge = self.edge_mm(angle)
        return np.stack([self.x_mm + edge * np.cos(angle), self.y_mm + edge * np.sin(angle)], 1)


def random_spot(
    rng: np.random.Generator, centre: Sequence[float], diameter_mm: float, roughness: float
) -> Spot:
    """A spot whose area is that of a circle of the diameter."""
    lobes = tuple(
        (float(roughness * rng.uniform(0.3, 1.0) / (1 + 0.5 * k)), float(rng.uniform(0, 6.283)))
        for k in range(6)
    )
    shape = Spot(float(centre[0]), float(centre[1]), 1.0, lobes)
    mean_square = float(np.mean(shape.edge_mm(np.linspace(0, 2 * np.pi, 361)[:-1]) ** 2))
    return Spot(shape.x_mm, shape.y_mm, diameter_mm / 2 / mean_square**0.5, lobes)


@dataclass(frozen=True)
class BedLook:
    """Crop and colours of a bed (linear RGB reflectances).

    ``overhang`` is the share of the roots that hang over bare floor where they reach it.
    """

    kernel_mm: tuple[float, float, float]
    point: float
    colour: tuple[float, float, float]
    colour_spread: float
    root_colour: tuple[float, float, float]
    wetness: float
    root_length_mm: float = 22.0
    root_radius_mm: float = 0.33
    root_wander: float = 0.5
    root_points: int = 8
    overhang: float = 0.0
    stray_share: float = 0.06


class Bed:
    """Height of the bed's surface over the tray floor, with bare and thick spots."""

    def __init__(
        self, rng: np.random.Generator, size: TraySize, *, fill_mm: float,
        bare: Sequence[Spot], thick: Sequence[Spot],
    ) -> None:  # fmt: skip
        inset = rng.uniform(1.0, 6.0, 4)
        self.size = size
        self.x_range = (-size.length_mm / 2 + inset[0], size.length_mm / 2 - inset[1] * 0.5)
        self.y_range = (-size.width_mm / 2 + inset[2], size.width_mm / 2 - inset[3])
        self.bare = tuple(bare)
        self._thick = tuple(thick)
        self._fill = fill_mm
        self._wave = LayeredField(rng, 90.0)
        self._ragged = LayeredField(rng, 14.0)

    @property
    def area_mm2(self) -> float:
        """Area of the mat's rectangle."""
        (left, right), (near, far) = self.x_range, self.y_range
        return float((right - left) * (far - near))

    def bareness(self, x: Array, y: Array) -> Array:
        """0 where seeds lie, up to 1 inside bare spots."""
        worst = np.zeros(np.shape(x))
        for spot in self.bare:
            depth = spot.depth_mm(x, y) + 4 * self._ragged.at(x, y)
            worst = np.maximum(worst, np.clip(0.5 + depth / 5.0, 0, 1))
        return worst

    def thickness(self, x: Array, y: Array) -> Array:
        """Mat thickness in mm."""
        thick = self._fill * (1 + 0.16 * self._wave.at(x, y))
        for spot in self._thick:
            thick = thick + 6.0 * np.clip(spot.depth_mm(x, y) / spot.radius_mm, 0, 1)
        return np.asarray(thick * (1 - 0.95 * self.bareness(x, y)))

    def top(self, x: Array, y: Array) -> Array:
        """z of the mat's surface."""
        return np.asarray(-self.size.depth_mm + self.thickness(x, y))

    def points(self, rng: np.random.Generator, step_mm: float) -> Array:
        """Jittered points (n, 2) over the mat."""
        return jittered(rng, self.x_range, self.y_range, step_mm)


def _turn(yaw: Array, pitch: Array, roll: Array) -> Array:
    cy, sy, cp, sp, cr, sr = (f(a) for a in (yaw, pitch, roll) for f in (np.cos, np.sin))
    return np.stack(
        [
            np.stack([cy * cp, -sy * cr + cy * sp * sr, sy * sr + cy * sp * cr], -1),
            np.stack([sy * cp, cy * cr + sy * sp * sr, -cy * sr + sy * sp * cr], -1),
            np.stack([-sp, cp * sr, cp * cr], -1),
        ],
        axis=1,
    )


def _kernel_colours(rng: np.random.Generator, template: Array, count: int, look: BedLook) -> Array:
    base = np.asarray(look.colour)
    tone = np.exp(look.colour_spread * rng.normal(0, 1, (count, 1)))
    hue = 1 + 0.35 * look.colour_spread * rng.normal(0, 1, (count, 3))
    colour = base * tone * hue
    odd = rng.uniform(0, 1, count)
    colour[odd < 0.025] = [0.62, 0.56, 0.42]
    colour[odd > 0.985] *= 0.35
    along = template[:, 0]
    crease = 1 - 0.35 * np.exp(-((template[:, 1] / 0.35) ** 2)) * (template[:, 2] > 0)
    shade = (1 - 0.25 * along**2) * crease
    streak = 1 + 0.12 * rng.normal(0, 1, (count, len(template)))
    return np.asarray(colour[:, None] * (shade * streak)[..., None])


def kernels(rng: np.random.Generator, bed: Bed, look: BedLook, *, swelling: float) -> Mesh:
    """Two and a half layers of kernels over a dark under-surface."""
    length, width, height = np.array(look.kernel_mm) * swelling
    step = 0.86 * (length * width) ** 0.5
    layers = []
    template = ellipsoid_template(7, 6, point=look.point)
    for layer in range(3):
        spots = bed.points(rng, step)
        count = len(spots)
        stray = rng.uniform(0, 1, count)
        bareness = bed.bareness(spots[:, 0], spots[:, 1])
        tilt = rng.normal(0, 0.2, count) + (rng.uniform(0, 1, count) < 0.07) * 0.7
        turn = _turn(rng.uniform(0, 6.283, count), tilt, rng.normal(0, 0.5, count))
        scale = np.exp(rng.normal(0, 0.09, (count, 1))) * np.array([length, width, height]) / 2
        frames = turn * scale[:, None, :]
        lift = rng.normal(0, 0.5, count) + (rng.uniform(0, 1, count) < 0.2) * 0.9
        colours = _kernel_colours(rng, template[0], count, look)
        # A kernel that strayed into a bare spot lies on the floor in the first layer only.
        keep = (bareness < 0.5) | ((layer == 0) & (stray < look.stray_share * (1.2 - bareness)))
        z = np.maximum(
            bed.top(spots[:, 0], spots[:, 1]) - height * (0.45 + 0.62 * layer) + lift,
            -bed.size.depth_mm + height * 0.45,
        )
        centres = np.column_stack([spots, z])
        layers.append(copies(template, centres[keep], frames[keep], colours[keep]))
    return join([*layers, _under_surface(bed, look, height)])


def _under_surface(bed: Bed, look: BedLook, drop: float) -> Mesh:
    x = np.arange(*bed.x_range, CELL_MM)
    y = np.arange(*bed.y_range, CELL_MM)
    x, y = np.meshgrid(x, y, indexing="ij")
    z = bed.top(x, y) - 1.5 * drop
    keep = (bed.bareness(x, y) < 0.3) & (z > -bed.size.depth_mm + 0.2)
    return surface(x, y, z, np.asarray(look.colour) * 0.45, keep)


def roots(
    rng: np.random.Generator, bed: Bed, look: BedLook, *, cover: float, growth: float
) -> tuple[Mesh, Array]:
    """White roots wandering over the bed, and their paths (n, ``look.root_points``, 3).

    ``cover`` is the summed root area over the mat's area at full growth (1).
    """
    length_mm, radius_mm, points = look.root_length_mm, look.root_radius_mm, look.root_points
    count = int(min(60000, 1.6 * cover * bed.area_mm2 / (length_mm * 2 * radius_mm)))
    start = bed.points(rng, (bed.area_mm2 / max(count, 1)) ** 0.5)
    count = len(start)
    delay = rng.beta(1.6, 2.2, count)
    reach = length_mm * rng.lognormal(-0.1, 0.4, count)
    start_heading = rng.uniform(0, 6.283, (count, 1))
    turns = rng.normal(0, look.root_wander, (count, points))
    heading = start_heading + np.cumsum(turns, 1)
    arch, noise = rng.uniform(0.2, 1.4, count), rng.uniform(0, 1, count)
    shade = rng.normal(1, 0.07, (count, 1, 1))
    grown = np.clip(1.6 * growth - 0.6 * delay / 0.6, 0, 1) * (growth > 0)
    step = (reach * grown / (points - 1))[:, None]
    x = start[:, :1] + np.cumsum(step * np.cos(heading), 1)
    y = start[:, 1:] + np.cumsum(step * np.sin(heading), 1)
    t = np.linspace(0, 1, points)
    z = bed.top(x, y) + 0.5 + arch[:, None] * np.sin(np.pi * t) - 1.5 * t**2
    bareness = bed.bareness(x, y)
    rooted = bareness.max(1) < 0.5 + 0.4 * noise
    if look.overhang > 0:
        hanging, sag = rng.uniform(0, 1, count), rng.uniform(0, 1, (count, 1))
        of_bed = (bareness[:, 0] < 0.5) | (hanging < look.overhang * look.stray_share)
        rooted |= of_bed & (hanging < look.overhang)
        z = _hung(z, sag * step)
    keep = (grown > 0.06) & rooted
    keep &= (x.min(1) > bed.x_range[0]) & (x.max(1) < bed.x_range[1])
    keep &= (y.min(1) > bed.y_range[0]) & (y.max(1) < bed.y_range[1])
    paths = np.stack([x, y, z], 2)[keep]
    radii = np.broadcast_to(radius_mm * np.linspace(1.2, 0.6, points), paths.shape[:2])
    tones = shade[keep] * np.linspace(0.9, 1.05, points)[:, None]
    return tubes(paths, radii, np.asarray(look.root_colour) * tones, sides=3), paths


def _hung(z: Array, sag_mm: Array) -> Array:
    """Heights along roots (n, k) that fall by at most ``sag_mm`` (n, 1) from point to point."""
    hung = z.copy()
    for point in range(1, z.shape[1]):
        hung[:, point] = np.maximum(z[:, point], hung[:, point - 1] - sag_mm[:, 0])
    return hung


def root_hairs(rng: np.random.Generator, paths: Array, look: BedLook, *, amount: float) -> Mesh:
    """Fine white hairs standing all along the roots; ``amount`` about 0.2 to 1.5."""
    wanted = 150 * amount
    per_root = int(np.clip(wanted, 4, 1_700_000 / max(len(paths), 1)))
    pieces = paths.shape[1] - 1
    where = rng.uniform(0, pieces, (len(paths), per_root))
    index = np.minimum(where.astype(int), pieces - 1)
    rest = (where - index)[..., None]
    row = np.arange(len(paths))[:, None]
    base = (paths[row, index] * (1 - rest) + paths[row, index + 1] * rest).reshape(-1, 3)
    towards = rng.normal(0, 1, base.shape)
    towards[:, 2] = np.abs(towards[:, 2]) * 0.8
    towards /= np.linalg.norm(towards, axis=1, keepdims=True)
    tips = base + towards * rng.uniform(0.5, 1.0, (len(base), 1)) * rng.uniform(1.2, 2.2)
    colour = np.clip(np.asarray(look.root_colour) * 1.08, 0, 0.97)
    # Fewer hairs than wanted are drawn wider, so that they whiten the bed as much.
    widths = np.full(len(base), rng.uniform(0.10, 0.15) * (wanted / per_root) ** 0.7)
    return hairs(base, tips, widths, np.broadcast_to(colour, base.shape))


def husks(rng: np.random.Generator, bed: Bed, *, share: float) -> Mesh:
    """Loose straw-coloured flakes on the bed."""
    count = int(share * bed.area_mm2 / 25)
    spots = np.column_stack([rng.uniform(*bed.x_range, count), rng.uniform(*bed.y_range, count)])
    z = bed.top(spots[:, 0], spots[:, 1]) + 1.2
    heading = rng.uniform(0, 6.283, count)
    t = np.linspace(-0.5, 0.5, 4)
    length = rng.uniform(4, 11, (count, 1))
    along = length * t
    paths = np.stack(
        [
            spots[:, :1] + along * np.cos(heading)[:, None],
            spots[:, 1:] + along * np.sin(heading)[:, None],
            z[:, None] + rng.normal(0, 0.25, (count, 4)),
        ],
        axis=2,
    )
    widths = rng.uniform(1.0, 2.6, (count, 1)) * np.array([0.4, 1.0, 0.9, 0.3])
    tone = np.array([0.62, 0.50, 0.28]) * rng.uniform(0.6, 1.3, (count, 1, 1))
    side = np.column_stack([-np.sin(heading), np.cos(heading), rng.normal(0, 0.3, count)])
    return flat_fibres(paths, widths, np.broadcast_to(tone, paths.shape), side)


def wet_film(rng: np.random.Generator, bed: Bed, spot: Spot, colour: Array, rise_mm: float) -> Mesh:
    """A glossy film (slime or standing water) inside a spot, seeds poking through."""
    reach = 1.8 * spot.radius_mm
    axis = np.arange(-reach, reach, 0.8)
    x, y = np.meshgrid(spot.x_mm + axis, spot.y_mm + axis, indexing="ij")
    fine, broad = LayeredField(rng, 5.0), LayeredField(rng, 25.0)
    depth = spot.depth_mm(x, y) + 2.5 * broad.at(x, y)
    z = bed.top(x, y) + rise_mm + 0.45 * fine.at(x, y) + np.clip(depth * 0.15, -0.6, 0.4)
    inside = (np.abs(x) < bed.size.length_mm / 2 - 2) & (np.abs(y) < bed.size.width_mm / 2 - 2)
    tone = np.asarray(colour) * (1 + 0.25 * broad.at(x, y) + 0.2 * fine.at(x, y))[..., None]
    return surface(x, y, z, tone, (depth > 0) & inside)
