"""Photos to train on: trays of every kind, and more of what is hard to tell than a room shows.

Each photo has a theme. What a theme adds is drawn apart from the tray itself; a colour or shape
that only the renderer has (one thickness of roots, one hue of slime) is varied widely, so that
nothing can be told by it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from camera_effects import random_look as random_camera_look
from kit_geometry import KitParts, TraySize
from mould_growth import MouldLook
from mould_growth import random_look as random_mould_look
from scene_plan import (
    PLASTICS,
    Neighbour,
    PhotoPlan,
    Rng,
    TrayPlan,
    neighbour_shift,
    place_spots,
    random_occluders,
    random_tray,
)
from seed_bed import Spot, random_spot
from viewpoints import random_wish

STUB_COLOURS = ((0.66, 0.66, 0.40), (0.74, 0.72, 0.56), (0.45, 0.52, 0.24), (0.34, 0.42, 0.18),
                (0.80, 0.76, 0.64), (0.30, 0.36, 0.22))  # fmt: skip
SLIMES = ((0.20, 0.15, 0.09), (0.09, 0.055, 0.03), (0.30, 0.24, 0.12), (0.22, 0.19, 0.15),
          (0.14, 0.09, 0.06))  # fmt: skip
# Patches of white threads: over seed in their first day, and up the stems of a stand.
WEBS, CLIMBING = 0.22, 0.12


def _spread(rng: Rng, low: float, high: float) -> float:
    """A number between two, evenly over its logarithm."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _spots(rng: Rng, size: TraySize, count: int, low: float, high: float) -> tuple[Spot, ...]:
    diameters = [_spread(rng, low, high) for _ in range(count)]
    return place_spots(rng, size, diameters, float(rng.uniform(0.1, 0.45)))


def _mould_look(rng: Rng, day: float) -> MouldLook:
    kind = str(
        rng.choice(["white-fuzz", "grey-green", "black", "pink"], p=[0.42, 0.26, 0.18, 0.14])
    )
    look = random_mould_look(rng, kind)
    chance = rng.uniform()
    if kind == "white-fuzz" and chance < WEBS:
        return replace(look, felt=0.0, threads=rng.uniform(0.5, 1.5), height_mm=rng.uniform(1.5, 6))
    if kind == "white-fuzz" and chance < WEBS + CLIMBING and day >= 3:
        return replace(look, threads=rng.uniform(1.2, 3.0), height_mm=rng.uniform(12, 26))
    return look


def _mould(
    rng: Rng, tray: TrayPlan, count: int, largest_mm: float
) -> tuple[tuple[Spot, MouldLook], ...]:
    spots = _spots(rng, tray.size, count, 4, largest_mm)
    return tuple((spot, _mould_look(rng, tray.day)) for spot in spots)


def _as_it_comes(_rng: Rng, _tray: TrayPlan) -> dict[str, Any]:
    return {}


def _floor(rng: Rng, tray: TrayPlan) -> dict[str, Any]:
    """Bare floor of every plastic, from a gap between kernels to half a tray."""
    bare = _spots(rng, tray.size, int(rng.integers(2, 8)), 7, 80)
    if rng.uniform() < 0.2:
        half = np.array([tray.size.length_mm, tray.size.width_mm]) / 2
        bare += (random_spot(rng, rng.uniform(-half, half).tolist(), rng.uniform(90, 280), 0.4),)
    plastic = str(rng.choice(list(PLASTICS)))
    colour = np.array(PLASTICS[plastic]) * np.exp(rng.normal(0, 0.15, 3))
    mouldy = tray.day >= 1 and rng.uniform() < 0.45
    mould = _mould(rng, tray, int(rng.integers(1, 4)), 60) if mouldy else ()
    return {"bare": bare, "plastic": plastic, "plastic_colour": tuple(colour.tolist()),
            "mould": mould}  # fmt: skip


def _pale(rng: Rng, tray: TrayPlan) -> dict[str, Any]:
    """A white root mat with the first shoots in it."""
    mould = _mould(rng, tray, int(rng.integers(1, 4)), 50) if rng.uniform() < 0.45 else ()
    return {"root_cover": rng.uniform(0.9, 2.6), "mould": mould, "slime": (),
            "stand": replace(tray.stand, emergence_day=tray.day - rng.uniform(0.2, 1.6),
                             per_cm2=rng.uniform(1.8, 4.5))}  # fmt: skip


def _slime(rng: Rng, tray: TrayPlan) -> dict[str, Any]:
    """Slime from a thin film between roots to a coat over them."""
    low = rng.uniform(-0.5, 1.5)
    mould = _mould(rng, tray, int(rng.integers(1, 3)), 50) if rng.uniform() < 0.3 else ()
    return {"slime": _spots(rng, tray.size, int(rng.integers(1, 5)), 14, 90), "mould": mould,
            "slime_rise_mm": (low, low + 0.9)}  # fmt: skip


def _wet(rng: Rng, tray: TrayPlan) -> dict[str, Any]:
    """Standing water, drops and shine, none of it slime or mould."""
    return {"water": _spots(rng, tray.size, int(rng.integers(1, 5)), 15, 120), "slime": (),
            "drops_per_cm2": rng.uniform(0.3, 3.0) if rng.uniform() < 0.7 else 0.0,
            "look": replace(tray.look, wetness=rng.uniform(0.7, 1.0)), "mould": ()}  # fmt: skip


def _patches(rng: Rng, tray: TrayPlan) -> dict[str, Any]:
    """Mould of every look, most of it small."""
    largest = 30.0 if rng.uniform() < 0.6 else 80.0
    return {"mould": _mould(rng, tray, int(rng.integers(2, 8)), largest), "slime": ()}


def _gaps(rng: Rng, tray: TrayPlan) -> dict[str, Any]:
    """A canopy that has not closed: seed, roots and floor in its shade."""
    bare = _spots(rng, tray.size, int(rng.integers(0, 6)), 7, 50)
    mould = _mould(rng, tray, int(rng.integers(1, 4)), 80) if rng.uniform() < 0.45 else ()
    return {"bare": bare, "mould": mould,
            "stand": replace(tray.stand, per_cm2=rng.uniform(0.8, 2.2),
                             unevenness=rng.uniform(0.2, 0.6))}  # fmt: skip


def _harmless(rng: Rng, tray: TrayPlan) -> dict[str, Any]:
    """A clean tray with much that passes for mould: root hairs, husks, scraps, drops."""
    return {"hairs": rng.uniform(0.25, 1.6) if 1.5 <= tray.day <= 4 else 0.0, "mould": (),
            "husk_share": _spread(rng, 0.01, 0.2), "scraps": int(rng.integers(0, 6)),
            "drops_per_cm2": rng.uniform(0.2, 2.5) if rng.uniform() < 0.4 else 0.0}  # fmt: skip


Theme = Callable[[Rng, TrayPlan], dict[str, Any]]
# How often, on which days (first, last), and what it changes.
THEMES: tuple[tuple[float, tuple[float, float], Theme], ...] = (
    (0.24, (0.0, 8.0), _as_it_comes),
    (0.17, (0.0, 8.0), _floor),
    (0.14, (2.0, 4.5), _pale),
    (0.09, (1.5, 8.0), _slime),
    (0.05, (0.0, 5.0), _wet),
    (0.14, (1.0, 7.0), _patches),
    (0.09, (4.0, 8.0), _gaps),
    (0.08, (0.0, 5.0), _harmless),
)


def _varied(rng: Rng, tray: TrayPlan) -> TrayPlan:
    """The tray with roots, stubs and slime of its own shape and colour."""
    share = rng.dirichlet(np.full(len(STUB_COLOURS), 0.5))
    stub = share @ np.array(STUB_COLOURS) * np.exp(rng.normal(0, 0.08, 3))
    slime = np.array(SLIMES[rng.integers(len(SLIMES))]) * np.exp(rng.normal(0, 0.15, 3))
    stand = replace(
        tray.stand, emergence_day=tray.stand.emergence_day - rng.uniform(-0.1, 0.7),
        pale=tuple(stub.tolist()), slant=rng.uniform(0.12, 0.6), stub=rng.uniform(0.8, 1.8),
        green_at_mm=_spread(rng, 7, 40), blade_mm=tray.stand.blade_mm * rng.uniform(0.75, 1.5),
    )  # fmt: skip
    look = replace(
        tray.look, root_length_mm=_spread(rng, 9, 45), root_radius_mm=rng.uniform(0.22, 0.6),
        root_wander=rng.uniform(0.2, 1.0), root_points=12, overhang=rng.uniform(0, 1),
        stray_share=rng.uniform(0.0, 0.35),
    )  # fmt: skip
    return replace(tray, stand=stand, look=look, slime_colour=tuple(slime.tolist()))


def training_photo(seed: int) -> PhotoPlan:
    """A random photo for training."""
    rng = np.random.default_rng([seed, 77])
    shares = [share for share, _, _ in THEMES]
    _, (first, last), theme = THEMES[rng.choice(len(THEMES), p=shares)]
    days = np.arange(first, last + 0.5, 0.5)
    chance = np.where(days % 1 == 0, 1.0, 0.6) * np.where(days < 1, 0.5, 1.0)
    day = float(rng.choice(days, p=chance / chance.sum()))
    tray = random_tray(rng, day=day, number=int(rng.integers(96)), mouldy=rng.uniform() < 0.65)
    varied = _varied(rng, tray)
    tray = replace(varied, **theme(rng, varied))
    neighbours = []
    if rng.uniform() < 0.3:
        other = random_tray(rng, day=day, number=int(rng.integers(96)), mouldy=rng.uniform() < 0.3)
        kit = KitParts(strip=False) if rng.uniform() < 0.3 else KitParts(False, False, False)
        other = replace(_varied(rng, other), kit=kit, plastic_colour=tray.plastic_colour)
        neighbours.append(Neighbour(other, neighbour_shift(rng, tray, other, rng.choice([-1, 1]))))
    light = str(rng.choice(["led", "led+window", "window", "bulb", "mixed", "dim", "flash", "grow"],
                           p=[0.42, 0.1, 0.13, 0.1, 0.07, 0.06, 0.06, 0.06]))  # fmt: skip
    tint = str(
        rng.choice(["cool", "neutral", "warm", "day", "greenish"], p=[0.33, 0.25, 0.22, 0.12, 0.08])
    )
    return PhotoPlan(
        name=f"training-{seed:04d}", seed=seed, tray=tray,
        view=random_wish(rng, "fixed" if rng.uniform() < 0.55 else "phone"),
        shelf=str(rng.choice(["metal", "dark", "wood", "paint", "tiles", "mesh"])),
        light_kind=light, light_tint="grow" if light == "grow" else tint,
        camera_look=random_camera_look(rng, dim=light == "dim", foggy=rng.uniform() < 0.06),
        neighbours=tuple(neighbours), occluders=random_occluders(rng),
    )  # fmt: skip
