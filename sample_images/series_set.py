"""Series of photos: one tray a day from its first day on, clean or with mould that spreads.

Half of the beds lie still from day to day, as no real bed quite does; the other half is drawn
anew each day, kernels, roots and shoots, as none ever is. What finds mould in both does not owe
it to a bed that the renderer keeps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone

import numpy as np

from camera_effects import Shot, random_look
from kit_geometry import KitParts
from mould_growth import MouldLook
from mould_growth import random_look as random_mould_look
from scene_plan import PhotoPlan, Rng, TrayPlan, place_spots, random_occluders, random_tray
from seed_bed import Spot, random_spot
from viewpoints import ViewWish, random_wish

ZONE = timezone(timedelta(hours=1))
SPREAD_AT = datetime(2026, 3, 2, 8, 0, tzinfo=ZONE)
DAYS = range(1, 9)
# A patch is drawn from this diameter on; the hour it has it is the mould's beginning.
_FIRST_MM = 2.5
_HAIR_DAYS, _HAIRS = (1.4, 2.0, 3.0, 3.8), (0.0, 1.0, 0.6, 0.0)


@dataclass(frozen=True)
class Mould:
    """How the mould of a series goes."""

    begins_at_day: float
    radial_mm_per_day: float
    place: tuple[float, float]
    look: MouldLook

    def diameter_mm(self, day: float) -> float:
        """Diameter on a day, 0 before it begins."""
        grown = day - self.begins_at_day
        return 0.0 if grown < 0 else _FIRST_MM + 2 * self.radial_mm_per_day * grown


@dataclass(frozen=True)
class Series:
    """One tray over its days."""

    seed: int
    tray: TrayPlan
    fixed: ViewWish | None
    light: tuple[str, str]
    shelf: str
    hairs: float
    restless: bool
    mould: Mould | None


def _mould(rng: Rng, tray: TrayPlan) -> Mould:
    kind = str(
        rng.choice(["white-fuzz", "grey-green", "black", "pink"], p=[0.55, 0.22, 0.13, 0.10])
    )
    spot = place_spots(rng, tray.size, [25.0], 0.2)[0]
    speed = float(np.exp(rng.normal(np.log(5.5), 0.4)))
    return Mould(
        float(rng.uniform(1.8, 5.2)), speed, (spot.x_mm, spot.y_mm), random_mould_look(rng, kind)
    )


def series(seed: int) -> Series:
    """A random series; that of an even seed is mouldy."""
    rng = np.random.default_rng([seed, 91])
    tray = random_tray(rng, day=4.0, number=int(rng.integers(96)), mouldy=False)
    tray = replace(tray, slime=(), water=(), drops_per_cm2=0.0, scraps=0, hairs=0.0)
    kind = str(rng.choice(["led", "led+window", "window", "bulb", "dim"],
                          p=[0.6, 0.12, 0.12, 0.1, 0.06]))  # fmt: skip
    tint = str(rng.choice(["cool", "neutral", "warm", "day"], p=[0.4, 0.28, 0.2, 0.12]))
    mould = _mould(rng, tray)
    return Series(
        seed=seed, tray=tray, fixed=random_wish(rng, "fixed") if rng.uniform() < 0.6 else None,
        light=(kind, tint), shelf=str(rng.choice(["metal", "dark", "wood", "paint", "tiles"])),
        hairs=float(rng.uniform(0.4, 1.4)) if rng.uniform() < 0.6 else 0.0,
        restless=rng.uniform() < 0.5, mould=mould if seed % 2 == 0 else None,
    )  # fmt: skip


def _tray(one: Series, day: float, rng: Rng) -> TrayPlan:
    tray = one.tray
    fade = 1 - float(np.clip((day - 3) * 0.05, 0, 0.25))
    red, green, blue = (value * fade for value in tray.look.root_colour)
    sick: tuple[tuple[Spot, MouldLook], ...] = ()
    diameter = one.mould.diameter_mm(day) if one.mould else 0.0
    if one.mould and diameter:
        spot = random_spot(np.random.default_rng([one.seed, 92]), one.mould.place, diameter, 0.22)
        height = min(one.mould.look.height_mm, 2.0 + diameter / 8)
        sick = ((spot, replace(one.mould.look, height_mm=height)),)
    return replace(
        tray, day=day, mould=sick, kit=KitParts(),
        seed=tray.seed + (round(day) if one.restless else 0),
        look=replace(tray.look, root_colour=(red, green, blue)),
        hairs=one.hairs * float(np.interp(day, _HAIR_DAYS, _HAIRS)),
        drops_per_cm2=float(rng.uniform(0.2, 1.5)) if rng.uniform() < 0.2 else 0.0,
    )  # fmt: skip


def series_photo(seed: int, day: int) -> PhotoPlan:
    """The photo of a day, taken on a round in the morning."""
    one = series(seed)
    rng = np.random.default_rng([seed, day, 93])
    moment = SPREAD_AT + timedelta(days=day, minutes=float(rng.uniform(0, 90)))
    age = round((moment - SPREAD_AT) / timedelta(days=1), 3)
    view = one.fixed or random_wish(rng, "phone")
    kind, tint = one.light
    return PhotoPlan(
        name=f"series-{seed:04d}-day{day}", seed=seed, noise_seed=seed * 100 + day,
        tray=_tray(one, age, rng), view=view, shelf=one.shelf, light_kind=kind, light_tint=tint,
        camera_look=random_look(rng, dim=kind == "dim", foggy=rng.uniform() < 0.03),
        occluders=random_occluders(rng) if one.fixed is None else (),
        shot=Shot(moment, view.hfov_deg, 1, "Rendered"),
        facts={"bed": "drawn anew each day" if one.restless else "lies still"},
    )  # fmt: skip


def series_photos(seeds: range) -> list[PhotoPlan]:
    """Eight days of each series."""
    return [series_photo(seed, day) for seed in seeds for day in DAYS]
