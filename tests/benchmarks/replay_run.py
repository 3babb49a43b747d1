"""What is noticed on which day of a rendered run, beside the truth.

Usage: python tests/benchmarks/replay_run.py [FOLDER]

FOLDER holds `run.json` (trays, shelves, lots, photos with their moments), the photos and one truth
file per photo. Photos that cannot be measured are left out and counted.
"""

import argparse
import json
from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime, timedelta
from math import pi, sqrt
from pathlib import Path
from typing import Any

from trayvision.attention.attention import find_attention
from trayvision.attention.flags import FlagKind
from trayvision.attention.readings import TrayReading, reading_of_record
from trayvision.attention.state import Placement, RoomState, RunState
from trayvision.inspection.inspection import inspect_photo
from trayvision.inspection.record import photo_record
from trayvision.quality_flags import PhotoProblem

SAMPLE = Path(__file__).parents[2] / "sample_images" / "run"
LIMIT_MM = 10.0


def measure(folder: Path, run: dict[str, Any]) -> dict[int, list[TrayReading]]:
    spread_at = {tray["number"]: _moment(tray["spread_at"]) for tray in run["trays"]}
    readings: dict[int, list[TrayReading]] = defaultdict(list)
    left_out = 0
    for photo in run["photos"]:
        taken_at = _moment(photo["taken_at"])
        day = (taken_at - spread_at[photo["tray"]]) / timedelta(days=1)
        try:
            record = photo_record(inspect_photo(folder / photo["file"], day=day))
        except PhotoProblem:
            left_out += 1
            continue
        trays = [tray for tray in record["trays"] if tray["tray"] == photo["tray"]]
        left_out += not trays
        for tray in trays:
            readings[photo["tray"]].append(
                reading_of_record(tray, photo_id=photo["file"], taken_at=taken_at)
            )
    print(f"{len(run['photos'])} photos, {left_out} not measured")
    return readings


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text)


def true_mm(folder: Path, photo: dict[str, Any]) -> float:
    """Diameter of the largest true patch in a photo, 0 without one."""
    truth = json.loads((folder / photo["file"]).with_suffix(".json").read_text(encoding="utf-8"))
    return max((2 * sqrt(patch["area_mm2"] / pi) for patch in truth["mould"]), default=0.0)


def room_at(
    run: dict[str, Any], readings: dict[int, list[TrayReading]], now: datetime
) -> RoomState:
    levels = {shelf["id"]: place for place, shelf in enumerate(run["shelves"], 1)}
    runs = []
    for tray in run["trays"]:
        placed_at = _moment(tray["spread_at"])
        place = Placement(
            placed_at,
            tray["shelf"],
            level=levels[tray["shelf"]],
            position=str(tray["position"]),
            water_path="one",
        )
        runs.append(
            RunState(
                f"run-{tray['number']}",
                tray["number"],
                placed_at,
                tuple(readings[tray["number"]]),
                (place,),
                (tray["lot"],),
                grain=tray["crop"],
                target_day=8.0,
            )
        )
    return RoomState(now, tuple(runs))


def replay(folder: Path) -> None:
    run = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    readings = measure(folder, run)
    days = sorted({photo["day"] for photo in run["photos"]})
    clean_looks = false_looks = false_holds = 0
    for day in days:
        photos = [photo for photo in run["photos"] if photo["day"] == day]
        now = max(_moment(photo["taken_at"]) for photo in photos) + timedelta(minutes=5)
        flags = find_attention(room_at(run, readings, now)).flags
        print(f"day {day}")
        for flag in flags:
            sure = f" ({flag.confidence_words})" if flag.confidence_words else ""
            print(f"  {flag.level:4} {flag.kind}: {flag.reason}{sure}")
        mould = {f.trays[0]: str(f.level) for f in flags if f.kind is FlagKind.POSSIBLE_MOULD}
        for photo in photos:
            size = true_mm(folder, photo)
            if size:
                state = mould.get(photo["tray"], "quiet")
                late = " LATE" if state == "quiet" and size >= LIMIT_MM else ""
                print(f"       true mould on tray {photo['tray']}, {size:.1f} mm: {state}{late}")
            else:
                clean_looks += 1
                false_looks += photo["tray"] in mould
                false_holds += mould.get(photo["tray"]) == "hold"
    print(f"clean tray-looks {clean_looks}: {false_looks} at look or hold, {false_holds} at hold")


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, default=SAMPLE)
    replay(parser.parse_args(arguments).folder)


if __name__ == "__main__":
    main()
