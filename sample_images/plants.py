"""Shoots: coleoptile or sheath as a tube, the leaf blade as a folded, tapering ribbon."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshes import Array, Mesh, join, ribbons, tubes
from noise_fields import LayeredField
from seed_bed import Bed, Spot

# Days since emergence against visible shoot length: interpolated from common practice.
AGE_DAYS = np.array([0.0, 0.4, 0.8, 1.8, 2.8, 3.8, 4.8, 5.8, 6.8])
LENGTH_MM = np.array([0.0, 2.5, 7.0, 22.0, 47.0, 80.0, 106.0, 142.0, 165.0])


@dataclass(frozen=True)
class Stand:
    """How a tray's shoots grow and look.

    ``slant`` is the spread (radians) of the angles at which shoots leave the bed, ``stub``
    how thick the first shoots are and ``green_at_mm`` the length at which they are green.
    """

    per_cm2: float
    germination: float
    vigour: float
    emergence_day: float
    blade_mm: float
    droop: float
    lodging: float
    lean: tuple[float, float]
    green: tuple[float, float, float]
    pale: tuple[float, float, float]
    yellow_share: float
    greening: float
    unevenness: float
    slant: float = 0.22
    stub: float = 1.0
    green_at_mm: float = 32.0


@dataclass(frozen=True)
class _Shoots:
    """Per-shoot draws that do not depend on the day, so that a tray grows consistently."""

    foot: Array
    length: Array
    azimuth: Array
    start: Array
    bend: Array
    twist: Array
    width: Array
    tone: Array
    yellow: Array
    tip: Array


def _outward(bed: Bed, foot: Array, azimuth: Array, share: Array) -> Array:
    """Shoots at the wall lean over it: their azimuths turned towards the nearest wall."""
    gap_x = bed.size.length_mm / 2 - np.abs(foot[:, 0])
    gap_y = bed.size.width_mm / 2 - np.abs(foot[:, 1])
    wall = np.where(
        gap_x < gap_y,
        np.arctan2(0, np.sign(foot[:, 0])),
        np.arctan2(np.sign(foot[:, 1]), 0),
    )
    pull = np.exp(-np.minimum(gap_x, gap_y) / 14.0) > share
    return np.where(pull, wall + 0.5 * (azimuth - np.pi) / np.pi, azimuth)


def _grow(
    rng: np.random.Generator, bed: Bed, stand: Stand, day: float, sick: list[Spot]
) -> _Shoots:
    foot = bed.points(rng, 10.0 / stand.per_cm2**0.5)
    count = len(foot)
    sprouts = rng.uniform(0, 1, count) < stand.germination
    spread = LayeredField(rng, 110.0)
    local = 1 + stand.unevenness * spread.at(foot[:, 0], foot[:, 1])
    delay = rng.normal(0, 0.32, count)
    age = (day - stand.emergence_day - delay) * stand.vigour**0.5
    length = np.interp(age, AGE_DAYS, LENGTH_MM) * rng.lognormal(0, 0.2, count)
    length *= stand.vigour * local
    azimuth = _outward(bed, foot, rng.uniform(0, 2 * np.pi, count), rng.uniform(0, 1, count))
    start = np.abs(rng.normal(0, stand.slant, count))
    bend = rng.beta(1.5, 2.2, count)
    lodged = rng.uniform(0, 1, count) < stand.lodging
    start = np.where(lodged, start + 0.8, start)
    twist = rng.normal(0, 0.7, count)
    width = stand.blade_mm * rng.lognormal(0, 0.16, count)
    tone = np.exp(rng.normal(0, 0.13, count))
    yellow = rng.uniform(0, 1, count) < stand.yellow_share
    tip = rng.uniform(0, 1, count) < 0.06 + 0.5 * stand.yellow_share
    survives = rng.uniform(0, 1, count)
    keep = sprouts & (length > 0.8) & (bed.bareness(foot[:, 0], foot[:, 1]) < 0.35)
    for spot in sick:
        # The larger the patch, the older it is and the fewer shoots are left in it.
        left = np.clip(0.5 - spot.radius_mm / 55.0, 0.08, 0.45)
        keep &= (spot.depth_mm(foot[:, 0], foot[:, 1]) < 0) | (survives < left)
    values = (foot, length, azimuth, start, bend, twist, width, tone, yellow, tip)
    return _Shoots(*(value[keep] for value in values))


def _paths(shoots: _Shoots, stand: Stand, z: Array, points: int) -> tuple[Array, Array]:
    """Middle lines (n, k, 3) and pitch from the vertical (n, k)."""
    t = np.linspace(0, 1, points)
    bend = stand.droop * shoots.bend * np.minimum(shoots.length / 90.0, 1.6)
    pitch = shoots.start[:, None] + bend[:, None] * t**1.4
    pitch = np.minimum(pitch, 2.3)
    azimuth = shoots.azimuth[:, None] + 0.25 * (shoots.twist[:, None]) * t
    step = (shoots.length / (points - 1))[:, None]
    lean = np.asarray(stand.lean) * (shoots.length[:, None, None] / 100.0) * t[:, None] ** 2
    flat = np.stack([np.sin(pitch) * np.cos(azimuth), np.sin(pitch) * np.sin(azimuth)], 2)
    level = np.cumsum(flat * step[..., None], 1) - flat[:, :1] * step[..., None]
    rise = np.cumsum(np.cos(pitch) * step, 1) - np.cos(pitch[:, :1]) * step
    paths = np.concatenate(
        [shoots.foot[:, None] + level + 60 * lean, (z - 1.0)[:, None, None] + rise[..., None]], 2
    )
    return paths, pitch


def _colours(shoots: _Shoots, stand: Stand, t: Array) -> Array:
    """Colours (n, k, 3): pale foot, green above, some yellow blades and tips."""
    green, pale = np.asarray(stand.green), np.asarray(stand.pale)
    foot_mm = np.clip(shoots.length * 0.35, 6.0, 32.0)[:, None]
    green_share = np.clip(shoots.length[:, None] * t / foot_mm, 0, 1) ** 0.8 * stand.greening
    green_share = green_share * np.clip(0.08 + shoots.length[:, None] / stand.green_at_mm, 0, 1)
    colour = pale + green_share[..., None] * (green - pale)
    straw = np.array([0.42, 0.37, 0.07])
    turn = np.where(shoots.yellow, 0.75, 0.0)[:, None] + np.where(
        shoots.tip[:, None], np.clip((t - 0.7) / 0.2, 0, 0.9), 0.0
    )
    colour = colour + np.clip(turn, 0, 0.9)[..., None] * (straw - colour)
    return np.asarray(colour * shoots.tone[:, None, None])


def _blades(paths: Array, pitch: Array, shoots: _Shoots, colours: Array, points: slice) -> Mesh:
    part, angle = paths[:, points], pitch[:, points]
    k = part.shape[1]
    u = np.linspace(0, 1, k)
    profile = np.minimum(0.45 + 2.4 * u, 1.0) * np.maximum(1 - u**2.4, 0.02)
    half = shoots.width[:, None] / 2 * profile * np.clip(0.3 + shoots.length[:, None] / 45.0, 0, 1)
    spin = shoots.twist[:, None] * u
    azimuth = shoots.azimuth[:, None]
    side = np.stack(
        np.broadcast_arrays(-np.sin(azimuth), np.cos(azimuth), np.zeros_like(azimuth)), 2
    )
    normal = np.stack(
        [-np.cos(angle) * np.cos(azimuth), -np.cos(angle) * np.sin(azimuth), np.sin(angle)], 2
    )
    across = half[..., None] * (np.cos(spin)[..., None] * side + np.sin(spin)[..., None] * normal)
    lift = (
        half[..., None] * 0.35 * (np.cos(spin)[..., None] * normal - np.sin(spin)[..., None] * side)
    )
    tones = colours[:, points][:, :, None] * np.array([0.96, 1.1, 0.96])[:, None]
    return ribbons(part, across, lift, tones)


def shoot_mesh(
    rng: np.random.Generator, bed: Bed, stand: Stand, *, day: float, sick: list[Spot]
) -> tuple[Mesh, int]:
    """All shoots of a tray and their number; few survive inside the ``sick`` spots."""
    shoots = _grow(rng, bed, stand, day, sick)
    count = len(shoots.length)
    if count == 0:
        return join([]), 0
    points = 13
    z = bed.top(shoots.foot[:, 0], shoots.foot[:, 1])
    paths, pitch = _paths(shoots, stand, z, points)
    colours = _colours(shoots, stand, np.linspace(0, 1, points))
    young = shoots.length < 14.0
    parts = []
    if young.any():
        taper = np.linspace(1, 0, points) ** 0.35
        radii = stand.stub * (0.55 + 0.25 * shoots.width[young, None] / stand.blade_mm) * taper
        parts.append(tubes(paths[young], radii, colours[young]))
    if not young.all():
        parts += _leafy(paths, pitch, shoots, colours, ~young)
    return join(parts), count


def _leafy(
    paths: Array, pitch: Array, shoots: _Shoots, colours: Array, chosen: Array
) -> list[Mesh]:
    part = _Shoots(*(getattr(shoots, name)[chosen] for name in shoots.__dataclass_fields__))
    paths, pitch, colours = paths[chosen], pitch[chosen], colours[chosen]
    radii = np.broadcast_to(np.array([0.95, 0.95, 0.9, 0.8]), (len(paths), 4))
    parts = [
        tubes(paths[:, :4], radii, colours[:, :4]),
        _blades(paths, pitch, part, colours, slice(3, None)),
    ]
    tall = part.length > 95.0
    if tall.any():
        parts.append(_second_leaf(paths, pitch, part, colours, tall))
    return parts


def _second_leaf(paths: Array, pitch: Array, shoots: _Shoots, colours: Array, tall: Array) -> Mesh:
    """A shorter, narrower leaf from the sheath's mouth to the other side."""
    share = (0.35 + 0.3 * np.sin(7 * shoots.twist[tall]) ** 2)[:, None, None]
    origin = paths[tall, 3:4]
    turned = paths[tall, 3:] - origin
    turned = turned * np.array([-1.0, -1.0, 1.2]) * share
    part = _Shoots(*(getattr(shoots, name)[tall] for name in shoots.__dataclass_fields__))
    slim = _Shoots(**{**part.__dict__, "width": part.width * 0.7, "azimuth": part.azimuth + np.pi})
    return _blades(origin + turned, pitch[tall, 3:], slim, colours[tall, 3:] * 1.08, slice(None))
