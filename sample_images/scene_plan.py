"""Plans of trays and photos, drawn from a seed; a plan says everything the renderer needs."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from camera_effects import CameraLook, Shot
from kit_geometry import KitParts, TraySize
from meshes import Array
from mould_growth import MouldLook
from mould_growth import random_look as random_mould_look
from plants import Stand
from seed_bed import BedLook, Spot, random_spot
from viewpoints import ViewWish

Rng = np.random.Generator
SIZES = (
    (300, 200, 50),
    (400, 250, 50),
    (500, 250, 60),
    (540, 280, 60),
    (600, 300, 55),
    (800, 350, 60),
)
PLASTICS = {
    "white": (0.74, 0.75, 0.74),
    "grey": (0.30, 0.31, 0.31),
    "black": (0.022, 0.022, 0.024),
    "green": (0.03, 0.20, 0.09),
    "blue": (0.07, 0.19, 0.40),
    "beige": (0.56, 0.46, 0.31),
}
GREENS = ((0.10, 0.20, 0.030), (0.14, 0.27, 0.04), (0.20, 0.34, 0.06), (0.08, 0.16, 0.04),
          (0.24, 0.35, 0.05))  # fmt: skip
PALES = ((0.66, 0.66, 0.40), (0.74, 0.72, 0.56), (0.55, 0.60, 0.28), (0.80, 0.76, 0.64))


@dataclass(frozen=True)
class TrayPlan:
    """One tray on one day."""

    seed: int
    number: int
    head_number: int
    size: TraySize
    plastic: str
    plastic_colour: tuple[float, ...]
    rim_mm: float
    kit: KitParts
    paper: float
    ink: float
    crop: str
    day: float
    fill_mm: float
    look: BedLook
    root_cover: float
    hairs: float
    husk_share: float
    drops_per_cm2: float
    scraps: int
    stand: Stand
    bare: tuple[Spot, ...] = ()
    thick: tuple[Spot, ...] = ()
    mould: tuple[tuple[Spot, MouldLook], ...] = ()
    slime: tuple[Spot, ...] = ()
    water: tuple[Spot, ...] = ()
    slime_rise_mm: tuple[float, float] = (-0.6, 0.5)
    slime_colour: tuple[float, float, float] = (0.20, 0.15, 0.09)

    def rng(self, part: int) -> Rng:
        """The part's own generator, the same on every day of the tray."""
        return np.random.default_rng([self.seed, part])


@dataclass(frozen=True)
class Occluder:
    """Something over or near the tray: 'hose', 'label', 'finger', 'wet', 'scrap', 'phone'."""

    kind: str
    corner: int | None = None


@dataclass(frozen=True)
class Neighbour:
    """Another tray in view and where it stands."""

    plan: TrayPlan
    shift_mm: tuple[float, float]


def standing(main: TrayPlan, neighbour: Neighbour) -> Array:
    """Shift (3,) from the main tray's frame to the neighbour's; both stand on one shelf."""
    rise = neighbour.plan.size.depth_mm - main.size.depth_mm
    return np.array([*neighbour.shift_mm, rise])


@dataclass(frozen=True)
class PhotoPlan:
    """A photo of a tray."""

    name: str
    seed: int
    tray: TrayPlan
    view: ViewWish
    shelf: str
    light_kind: str
    light_tint: str
    camera_look: CameraLook
    neighbours: tuple[Neighbour, ...] = ()
    occluders: tuple[Occluder, ...] = ()
    facts: dict[str, str] = field(default_factory=dict)
    shot: Shot | None = None
    noise_seed: int | None = None

    @property
    def noise(self) -> int:
        """Seed of the exposure; the scene's own unless several photos share a scene."""
        return self.seed if self.noise_seed is None else self.noise_seed


def _mix(
    rng: Rng, palette: tuple[tuple[float, ...], ...], spread: float
) -> tuple[float, float, float]:
    share = rng.dirichlet(np.full(len(palette), 0.7))
    colour = (
        share @ np.array(palette) * np.exp(rng.normal(0, spread, 3)) * np.exp(rng.normal(0, spread))
    )
    return (float(colour[0]), float(colour[1]), float(colour[2]))


def _triple(values: Array) -> tuple[float, float, float]:
    return (float(values[0]), float(values[1]), float(values[2]))


def bed_look(rng: Rng, crop: str, day: float) -> BedLook:
    """Kernel and root colours of a crop."""
    if crop == "barley":
        kernel, point = (rng.uniform(7.8, 10.0), rng.uniform(2.9, 3.7), rng.uniform(2.3, 2.9)), 1.25
        palette = ((0.40, 0.28, 0.10), (0.48, 0.36, 0.17), (0.30, 0.20, 0.08), (0.55, 0.45, 0.27))
    else:
        kernel, point = (rng.uniform(5.6, 7.0), rng.uniform(2.9, 3.7), rng.uniform(2.7, 3.3)), 0.85
        palette = ((0.36, 0.15, 0.05), (0.42, 0.22, 0.09), (0.26, 0.11, 0.05), (0.50, 0.32, 0.15))
    fade = float(np.clip((day - 3) * 0.05, 0, 0.25))
    root = np.array([0.95, 0.92, 0.83]) * rng.uniform(0.84, 1.03) * (1 - fade)
    return BedLook(
        kernel, point, _mix(rng, palette, 0.05), rng.uniform(0.12, 0.3),
        _triple(root * np.exp(rng.normal(0, 0.03, 3))), rng.uniform(0, 1),
    )  # fmt: skip


def stand(rng: Rng, crop: str, *, weak: bool, yellowing: bool) -> Stand:
    """A stand of shoots: healthy, from weak seed, or yellowing."""
    blade = rng.uniform(3.6, 6.6) if crop == "barley" else rng.uniform(2.8, 5.0)
    lean = rng.normal(0, 0.22, 2) if rng.uniform() < 0.4 else np.zeros(2)
    green = _mix(rng, GREENS, 0.09)
    if yellowing:
        green = _triple(np.array(green) * [1.9, 1.35, 1.0])
    return Stand(
        per_cm2=rng.uniform(1.5, 3.5),
        germination=rng.uniform(0.25, 0.6) if weak else rng.uniform(0.78, 0.97),
        vigour=rng.uniform(0.5, 0.8) if weak else rng.uniform(0.78, 1.15),
        emergence_day=rng.normal(2.4, 0.22), blade_mm=blade, droop=rng.uniform(0.7, 2.4),
        lodging=rng.uniform(0.3, 0.7) if rng.uniform() < 0.06 else rng.uniform(0, 0.12),
        lean=(float(lean[0]), float(lean[1])), green=green, pale=_mix(rng, PALES, 0.08),
        yellow_share=rng.uniform(0.15, 0.6) if yellowing else abs(rng.normal(0, 0.03)),
        greening=rng.uniform(0.4, 0.8) if yellowing else rng.uniform(0.85, 1.0),
        unevenness=rng.uniform(0.1, 0.5),
    )  # fmt: skip


def place_spots(
    rng: Rng, size: TraySize, diameters: list[float], roughness: float
) -> tuple[Spot, ...]:
    """Spots that keep apart and mostly inside the tray."""
    placed: list[Spot] = []
    for diameter in diameters:
        for _ in range(30):
            half = np.array([size.length_mm, size.width_mm]) / 2 - 0.42 * diameter - 3
            centre = rng.uniform(-1, 1, 2) * np.maximum(half, 5)
            apart = [np.hypot(*(centre - [s.x_mm, s.y_mm])) - s.radius_mm for s in placed]
            if all(gap > 0.75 * diameter for gap in apart):
                placed.append(random_spot(rng, centre.tolist(), diameter, roughness))
                break
    return tuple(placed)


def _mould(rng: Rng, size: TraySize, day: float) -> tuple[tuple[Spot, MouldLook], ...]:
    count = int(rng.choice([1, 2, 3, 5], p=[0.4, 0.3, 0.2, 0.1]))
    largest = 30 if day < 2 else 80
    diameters = np.exp(rng.uniform(np.log(4), np.log(largest), count)).tolist()
    spots = place_spots(rng, size, diameters, rng.uniform(0.08, 0.42))
    kinds = rng.choice(
        ["white-fuzz", "grey-green", "black", "pink"], len(spots), p=[0.4, 0.27, 0.19, 0.14]
    )
    return tuple(
        (spot, random_mould_look(rng, str(k))) for spot, k in zip(spots, kinds, strict=True)
    )


def _spots(rng: Rng, size: TraySize, chance: float, low: float, high: float) -> tuple[Spot, ...]:
    if rng.uniform() > chance:
        return ()
    count = int(rng.integers(1, 4))
    return place_spots(rng, size, rng.uniform(low, high, count).tolist(), 0.25)


def random_tray(rng: Rng, *, day: float, number: int, mouldy: bool) -> TrayPlan:
    """A tray as it may come along on the day."""
    crop = str(rng.choice(["barley", "wheat"]))
    size = TraySize(
        *(float(v) for v in SIZES[rng.choice(6, p=[0.08, 0.22, 0.26, 0.16, 0.1, 0.18])])
    )
    plastic = str(rng.choice(list(PLASTICS), p=[0.36, 0.16, 0.18, 0.12, 0.08, 0.10]))
    colour = (
        np.array(PLASTICS[plastic]) * np.exp(rng.normal(0, 0.08, 3)) * np.exp(rng.normal(0, 0.1))
    )
    hair_chance = {1.5: 0.3, 2.0: 0.6, 2.5: 0.6, 3.0: 0.5, 3.5: 0.25}.get(day, 0.0)
    paper = rng.uniform(0.72, 0.86)
    return TrayPlan(
        seed=int(rng.integers(2**31)), number=number,
        head_number=96 if rng.uniform() < 0.12 else number,
        size=size, plastic=plastic, plastic_colour=tuple(colour.tolist()),
        rim_mm=rng.uniform(6, 16),
        kit=KitParts(), paper=paper, ink=rng.uniform(0.015, 0.05),
        crop=crop, day=day, fill_mm=rng.uniform(8, 17),
        look=bed_look(rng, crop, day), root_cover=rng.uniform(0.4, 2.0) * (1.0 if day < 5 else 1.2),
        hairs=rng.uniform(0.25, 1.5) if rng.uniform() < hair_chance else 0.0,
        husk_share=rng.uniform(0, 0.03) if rng.uniform() < 0.7 else rng.uniform(0.03, 0.12),
        drops_per_cm2=rng.uniform(0.2, 2.0) if rng.uniform() < 0.25 else 0.0,
        scraps=int(rng.integers(1, 5)) if rng.uniform() < 0.12 else 0,
        stand=stand(rng, crop, weak=rng.uniform() < 0.1, yellowing=rng.uniform() < 0.15),
        bare=_spots(rng, size, 0.45, 15, 65), thick=_spots(rng, size, 0.3, 30, 90),
        mould=_mould(rng, size, day) if mouldy and day >= 1 else (),
        slime=_spots(rng, size, 0.1, 15, 70), water=_spots(rng, size, 0.05, 20, 90),
    )  # fmt: skip


def random_occluders(rng: Rng) -> tuple[Occluder, ...]:
    """What may lie about in a photo."""
    found = []
    for kind, chance in (("hose", 0.14), ("label", 0.3), ("finger", 0.07), ("wet", 0.2),
                         ("scrap", 0.06), ("phone", 0.03)):  # fmt: skip
        if rng.uniform() < chance:
            corner = int(rng.integers(4)) if kind in {"finger", "wet", "scrap"} else None
            found.append(Occluder(kind, corner))
    return tuple(found)


def neighbour_shift(rng: Rng, main: TrayPlan, other: TrayPlan, side: float) -> tuple[float, float]:
    """Where a neighbour stands: beside the tray's long side."""
    gap = main.rim_mm + other.rim_mm + rng.uniform(4, 30)
    reach = (main.size.width_mm + other.size.width_mm) / 2 + gap
    return (float(rng.normal(0, 8)), float(side * reach))


def kit_tones(plan: TrayPlan) -> tuple[Array, Array]:
    """Reflectance of the kit's paper and ink."""
    return np.full(3, plan.paper), np.full(3, plan.ink)
