"""The sample photos and the nine-day run: what each shows and when it was taken."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import numpy as np

from camera_effects import Shot, random_look
from kit_geometry import KitParts, TraySize
from mould_growth import random_look as random_mould_look
from sample_list import SAMPLES, Sample
from scene_plan import (
    PLASTICS,
    Neighbour,
    PhotoPlan,
    TrayPlan,
    bed_look,
    neighbour_shift,
    place_spots,
    random_tray,
    stand,
)
from seed_bed import random_spot
from viewpoints import ViewWish, random_wish

ZONE = timezone(timedelta(hours=1))
FIRST_MORNING = datetime(2026, 3, 2, 7, 30, tzinfo=ZONE)
CALM = {"bare": (), "thick": (), "slime": (), "water": (), "mould": (), "scraps": 0,
        "drops_per_cm2": 0.0, "hairs": 0.0, "kit": KitParts(), "husk_share": 0.01}  # fmt: skip


def _sample_tray(rng: np.random.Generator, sample: Sample, number: int) -> TrayPlan:
    size = TraySize(*(float(v) for v in sample.size))
    growth = stand(rng, sample.crop, weak=sample.weak, yellowing=sample.yellowing)
    if sample.lodging is not None:
        growth = replace(growth, lodging=sample.lodging, droop=2.2)
    base = random_tray(rng, day=sample.day, number=number, mouldy=False)
    changes: dict[str, Any] = {
        **CALM, "size": size, "crop": sample.crop, "head_number": number,
        "plastic": sample.plastic, "plastic_colour": PLASTICS[sample.plastic],
        "look": bed_look(rng, sample.crop, sample.day),
        "stand": replace(growth, per_cm2=max(growth.per_cm2, 2.1)),
    }  # fmt: skip
    names = list(sample.spots)
    flat = [d for name in names for d in sample.spots[name]] + [d for _, d in sample.mould]
    placed = list(place_spots(rng, size, flat, 0.25))
    for name in names:
        count = len(sample.spots[name])
        changes[name], placed = tuple(placed[:count]), placed[count:]
    changes["mould"] = tuple(
        (spot, random_mould_look(rng, kind))
        for spot, (kind, _) in zip(placed, sample.mould, strict=False)
    )
    return replace(base, **{**changes, **sample.tray})


def _view(rng: np.random.Generator, sample: Sample) -> ViewWish:
    wish = random_wish(rng, sample.view)
    frame = sample.frame or ((1360, 1020) if wish.width > wish.height else (1020, 1360))
    if (frame[0] > frame[1]) != (wish.width > wish.height):
        frame = frame[::-1]
    return replace(wish, width=frame[0], height=frame[1])


def _sample_photo(index: int, sample: Sample) -> PhotoPlan:
    rng = np.random.default_rng([sample.seed, 5])
    number = int(rng.integers(0, 90))
    tray = _sample_tray(rng, sample, number)
    view = _view(rng, sample)
    neighbours = []
    for k in range(sample.others):
        other = replace(
            _sample_tray(rng, sample, number + k + 1), bare=(), mould=(), kit=KitParts(strip=False)
        )
        neighbours.append(Neighbour(other, neighbour_shift(rng, tray, other, 1 - 2 * (k % 2))))
    look = random_look(rng, dim=sample.light[0] == "dim", foggy=sample.fog)
    look = replace(look, jpeg_quality=85, blur_px=min(look.blur_px, 1.0) * view.width / 1360)
    turned = view.height > view.width and index % 3 == 0
    taken = FIRST_MORNING + timedelta(days=sample.day, minutes=7 * index)
    return PhotoPlan(
        name=sample.name, seed=sample.seed, tray=tray, view=view, shelf=sample.shelf,
        light_kind=sample.light[0], light_tint=sample.light[1], camera_look=look,
        neighbours=tuple(neighbours), occluders=sample.things,
        shot=Shot(taken, view.hfov_deg, 6 if turned else 1, "Rendered"),
    )  # fmt: skip


def sample_photos() -> list[PhotoPlan]:
    """All single sample photos."""
    return [_sample_photo(index, sample) for index, sample in enumerate(SAMPLES)]


@dataclass(frozen=True)
class RunTray:
    """A tray of the run: where it stands, its seed lot and its plan's seed."""

    number: int
    shelf: str
    position: int
    lot: str
    crop: str
    seed: int
    vigour: float
    weak: bool = False


RUN = (
    RunTray(11, "top", 1, "B-2601", "barley", 911, 1.08),
    RunTray(12, "top", 2, "B-2601", "barley", 912, 1.00),
    RunTray(13, "top", 3, "B-2601", "barley", 913, 1.05),
    RunTray(14, "top", 4, "B-2601", "barley", 914, 1.12),
    RunTray(21, "bottom", 1, "W-2511", "wheat", 921, 0.97),
    RunTray(22, "bottom", 2, "W-2511", "wheat", 922, 0.92),
    RunTray(23, "bottom", 3, "W-2308", "wheat", 923, 0.72, weak=True),
    RunTray(24, "bottom", 4, "W-2511", "wheat", 924, 1.02),
)
RUN_SIZE = TraySize(540.0, 280.0, 60.0)
SPREAD_AT = datetime(2026, 3, 2, 8, 0, tzinfo=ZONE)
MOULD_DAYS = np.array([2.9, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0])
MOULD_MM = np.array([3.0, 4.0, 10.5, 22.0, 36.0, 52.0, 66.0, 75.0])
MOULDY_TRAY = 13


def taken_at(tray: RunTray, day: int) -> datetime:
    """When the tray's photo of the day was taken: a morning round, a few minutes apart."""
    rng = np.random.default_rng([tray.seed, day, 3])
    minutes = 12 + 2 * (tray.position - 1) + (10 if tray.shelf == "bottom" else 0)
    return SPREAD_AT + timedelta(days=day, minutes=minutes + float(rng.uniform(0, 45)) * (day > 0))


def _run_tray(tray: RunTray, day: float) -> TrayPlan:
    rng = np.random.default_rng([tray.seed, 1])
    base = random_tray(rng, day=4.0, number=tray.number, mouldy=False)
    growth = stand(rng, tray.crop, weak=False, yellowing=False)
    look = bed_look(rng, tray.crop, 3.0)
    fade = 1 - float(np.clip((day - 3) * 0.05, 0, 0.25))
    red, green, blue = (value * fade for value in look.root_colour)
    fuzz = float(np.interp(day, [1.6, 2.0, 3.0, 3.6], [0.0, 0.9, 0.5, 0.0]))
    sick: tuple[Any, ...] = ()
    if tray.number == MOULDY_TRAY and day >= 2.9:
        spot_rng = np.random.default_rng([tray.seed, 8])
        diameter = float(np.interp(day, MOULD_DAYS, MOULD_MM))
        spot = random_spot(spot_rng, (-70.0, 35.0), diameter, 0.22)
        mould = replace(random_mould_look(spot_rng, "white-fuzz"), felt=0.8, threads=3.5)
        sick = ((spot, replace(mould, height_mm=min(2.0 + diameter / 8, 10.0))),)
    growth = replace(
        growth, vigour=tray.vigour, germination=0.42 if tray.weak else 0.92, lodging=0.04,
        per_cm2=2.5, emergence_day=2.6 if tray.weak else 2.35, yellow_share=0.02, greening=0.95,
        lean=(0.0, 0.0),
    )  # fmt: skip
    changes: dict[str, Any] = {**CALM, "mould": sick, "hairs": fuzz}
    return replace(
        base, **changes, size=RUN_SIZE, plastic="white", head_number=tray.number,
        plastic_colour=PLASTICS["white"], crop=tray.crop, day=day, fill_mm=12.0,
        look=replace(look, root_colour=(red, green, blue)), stand=growth, root_cover=1.3,
    )  # fmt: skip


def _run_view(tray: RunTray, rng: np.random.Generator) -> ViewWish:
    if tray.shelf == "top":
        turn = float(np.random.default_rng(tray.seed).normal(0, 1.5))
        return ViewWish("fixed", 1360, 1020, 74.0, 9.0, 180.0, 90 + turn, 0.94, 560.0)
    return ViewWish(
        "phone", 1020, 1360, 52.0, rng.uniform(26, 36), 180 + rng.normal(0, 6),
        rng.normal(0, 2.5), 0.95, 300.0,
    )  # fmt: skip


def _run_photo(tray: RunTray, day: int) -> PhotoPlan:
    rng = np.random.default_rng([tray.seed, day, 4])
    moment = taken_at(tray, day)
    age = (moment - SPREAD_AT) / timedelta(days=1)
    view = _run_view(tray, rng)
    look = replace(
        random_look(rng, dim=False, foggy=False), jpeg_quality=84, full_well=6000.0,
        blur_px=0.7, ev_error=float(rng.normal(0, 0.12)), wb_strength=0.9, contrast=1.03,
        wb_error=tuple(np.exp(rng.normal(0, 0.015, 3)).tolist()), target=0.22,
    )  # fmt: skip
    top = tray.shelf == "top"
    return PhotoPlan(
        name=f"tray{tray.number}-day{day}", seed=tray.seed, noise_seed=tray.seed * 100 + day,
        tray=_run_tray(tray, round(age, 3)), view=view, shelf="metal" if top else "wood",
        light_kind="led", light_tint="cool" if top else "neutral", camera_look=look,
        shot=Shot(moment, view.hfov_deg, 1, "Rendered"),
    )  # fmt: skip


def run_photos() -> list[PhotoPlan]:
    """Nine days of eight trays."""
    return [_run_photo(tray, day) for day in range(9) for tray in RUN]


def run_facts() -> dict[str, Any]:
    """What a grower would have written down about the run."""
    return {
        "note": "rendered trays; heights and dates are of a made-up batch",
        "spread_at": SPREAD_AT.isoformat(),
        "spread_at_utc": SPREAD_AT.astimezone(UTC).isoformat(),
        "tray_size_mm": {"length": 540, "width": 280, "depth": 60},
        "shelves": [{"id": "top", "name": "Top shelf", "camera": "fixed"},
                    {"id": "bottom", "name": "Bottom shelf", "camera": "phone"}],
        "lots": [{"lot": "B-2601", "crop": "barley", "note": "good"},
                 {"lot": "W-2511", "crop": "wheat", "note": "good"},
                 {"lot": "W-2308", "crop": "wheat", "note": "old bag, germinates badly"}],
        "trays": [
            {"number": t.number, "shelf": t.shelf, "position": t.position, "lot": t.lot,
             "crop": t.crop, "spread_at": SPREAD_AT.isoformat()}
            for t in RUN
        ],
        "photos": [
            {"file": f"tray{t.number}-day{day}.jpg", "tray": t.number, "day": day,
             "taken_at": taken_at(t, day).isoformat()}
            for t in RUN for day in range(9)
        ],
    }  # fmt: skip


PLANS = {"samples": sample_photos, "run": run_photos}
