"""Delay against false alarms over rendered series, whose truth is exact.

Usage: python tests/benchmarks/replay_series.py FOLDER [--records FILE] [--jobs 2]

FOLDER holds what `sample_images/render.py --set series` writes: a photo a day of each series,
those of even numbers with one patch of mould that spreads. Every photo is inspected; `--records`
keeps what was measured, or reads it where the file is there. A tray-look is one photo of one clean
tray: false looks are told as photos under one, nobody answering it, and as looks newly asked for. A
patch is reported in time where it is at look no later than the photo in which it passes 10 mm.
"""

import argparse
import json
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from math import hypot, inf
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from trayvision.attention.readings import reading_of_record
from trayvision.inspection.inspection import inspect_photo
from trayvision.inspection.record import photo_record
from trayvision.warning.early_warning import WarningRates, margins_nats, watch_run
from trayvision.warning.patch_evidence import PatchContext
from trayvision.warning.patch_sighting import TrayPhoto

LIMIT_MM = 10.0
# Visible is as in the accuracy table: a quarter of the patch, and 16 px across.
LEAST_SHARE, LEAST_PX = 0.25, 16.0
# How far beyond its radius and a quarter a followed patch may lie from where the true one is now.
NEAR_MM = 8.0
# Added to all bounds, nats: delay against false alarms.
SHIFTS = (-2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0, 3.0)
HEADING = (
    "           false looks   false  clean series  reported by the photo past 10 mm, one\n"
    " shift  photos    raised  holds       flagged  and two later, ever; held by two later"
)


@dataclass(frozen=True)
class Patch:
    """The true patch in one photo, tray mm."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    visible: bool


@dataclass(frozen=True)
class Day:
    """One photo of a series: what was read, and what is true."""

    day: float
    photo: TrayPhoto | None
    patch: Patch | None


@dataclass(frozen=True)
class Step:
    """How far beyond look and hold a photo leaves the tray, nats: at the true patch, elsewhere."""

    day: Day
    near: tuple[float, float]
    far: tuple[float, float]


Course = list[Step]


def measure(truth_file: Path) -> dict[str, Any]:
    """What the photo beside a truth file shows, and the part of the truth that is asked for."""
    cv2.setNumThreads(1)
    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    size = truth["tray"]
    inspection = inspect_photo(
        truth_file.with_suffix(".jpg"),
        tray_size=(size["length"], size["width"], size["depth"]),
        day=truth["day"],
    )
    record = photo_record(inspection)
    trays = [tray for tray in record["trays"] if tray["tray"] == truth["tray_number"]]
    kept = {name: truth[name] for name in ("day", "taken_at", "camera", "mould")}
    return {"name": truth["name"], "tray": trays[0] if trays else None, "truth": kept}


def measured(folder: Path, records: Path | None, jobs: int) -> list[dict[str, Any]]:
    if records is not None and records.exists():
        return [json.loads(line) for line in records.read_text(encoding="utf-8").splitlines()]
    files = sorted(folder.glob("series-*.json"))
    with ProcessPoolExecutor(jobs) as pool:
        found = list(pool.map(measure, files, chunksize=4))
    if records is not None:
        records.write_text("\n".join(json.dumps(one) for one in found), encoding="utf-8")
    return found


def true_patch(truth: Mapping[str, Any]) -> Patch | None:
    if not truth["mould"]:
        return None
    (mould,), camera = truth["mould"], truth["camera"]
    x, y = mould["centroid_mm"]
    centre = np.array(camera["R_world_to_camera"]) @ [x, y, mould["z_mm"]]
    mm_per_px = (centre + camera["t_world_to_camera"])[2] / camera["fx"]
    diameter = mould["equivalent_diameter_mm"]
    share = mould["visible_px"] * mm_per_px**2 / max(mould["area_mm2"], 1.0)
    visible = share > LEAST_SHARE and diameter / mm_per_px >= LEAST_PX
    return Patch(float(x), float(y), float(diameter), bool(visible))


def by_series(found: Sequence[Mapping[str, Any]]) -> dict[int, list[Day]]:
    series: dict[int, list[Day]] = {}
    for one in found:
        truth, photo = one["truth"], None
        if one["tray"] is not None:
            taken_at = datetime.fromisoformat(truth["taken_at"])
            photo = reading_of_record(one["tray"], photo_id=one["name"], taken_at=taken_at).photo
        number = int(one["name"].split("-")[1])
        series.setdefault(number, []).append(Day(truth["day"], photo, true_patch(truth)))
    return {number: sorted(days, key=lambda d: d.day) for number, days in series.items()}


def course(days: Sequence[Day]) -> Course:
    """What is told after each photo, as the service would have had it then."""
    steps: Course = []
    photos: list[TrayPhoto] = []
    rates = WarningRates()
    context = PatchContext(days={d.photo.photo_id: d.day for d in days if d.photo})
    for day in days:
        if day.photo is None:
            continue
        photos.append(day.photo)
        told = {True: (-inf, -inf), False: (-inf, -inf)}
        for one in watch_run(photos, context=context, rates=rates).suspicions:
            seen = one.track.last[1]
            near = (
                day.patch is not None
                and hypot(seen.x_mm - day.patch.x_mm, seen.y_mm - day.patch.y_mm)
                <= max(day.patch.diameter_mm / 2, 4.0) * 1.25 + NEAR_MM
            )
            look, hold = margins_nats(one.track, one.evidence, rates)
            told[near] = max(told[near][0], look), max(told[near][1], hold)
        steps.append(Step(day, told[True], told[False]))
    return steps


def passing(days: Sequence[Day]) -> int | None:
    """Which photo shows the patch past the limit first."""
    past = (n for n, d in enumerate(days) if d.patch and d.patch.diameter_mm >= LIMIT_MM)
    return next(past, None)


def lines(series: Mapping[int, Sequence[Day]]) -> Iterator[str]:
    courses = {number: course(days) for number, days in series.items()}
    clean = [courses[number] for number in series if all(d.patch is None for d in series[number])]
    sick = [(days, courses[n], p) for n, days in series.items() if (p := passing(days)) is not None]
    past = [days[p].patch for days, _, p in sick]
    shown = sum(patch.visible for patch in past if patch)
    photos = sum(len(days) for days in series.values())
    read = sum(len(steps) for steps in courses.values())
    yield f"{photos} photos, {photos - read} of them without a tray; {len(clean)} clean series"
    yield f"{len(sick)} patches pass {LIMIT_MM:g} mm, {shown} of them visible in that photo"
    yield HEADING
    for shift in SHIFTS:
        looks = [[step.far[0] >= shift for step in one] for one in clean]
        false = np.mean([look for one in looks for look in one])
        raised = sum(now and not before for one in looks for before, now in pairwise([False, *one]))
        held = np.mean([step.far[1] >= shift for one in clean for step in one])
        after = [reported(sick, shift, later) for later in (0, 1, 2, photos)]
        counts = " ".join(
            f"{share:5.1%}" for share in (*after, reported(sick, shift, 2, hold=True))
        )
        yield (
            f"{shift:+6.1f} {false:7.2%} {raised / sum(map(len, looks)):7.2%} {held:8.2%} "
            f"{sum(map(any, looks)):5} of {len(clean)}  {counts}"
        )


def reported(
    sick: Sequence[tuple[Sequence[Day], Course, int]], shift: float, later: int, hold: bool = False
) -> float:
    """Share of patches at look or hold, so many photos after the one in which they pass."""
    told = 0
    for days, steps, passed in sick:
        end = days[min(passed + later, len(days) - 1)].day
        told += any(step.near[hold] >= shift for step in steps if step.day.day <= end)
    return told / len(sick)


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--records", type=Path)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args(arguments)
    for line in lines(by_series(measured(given.folder, given.records, given.jobs))):
        print(line)


if __name__ == "__main__":
    main()
