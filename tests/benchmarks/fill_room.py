"""Fills the log of a large invented room: as many rows as two years of work bring.

Usage: python -m tests.benchmarks.fill_room FOLDER [--trays 200] [--days 730] [--now MOMENT]

Afterwards `trayvision serve --data FOLDER` shows it. All of it is drawn at random from SEED and
nothing was photographed: each tray's record is one true record of a sample photo with its cover,
height and patches replaced, and the pictures of the last days are those of the sample run.
"""

import argparse
import json
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from importlib.metadata import version
from io import BytesIO
from math import pi
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa
from PIL import Image

from service.app import close_service, open_service
from service.context import Service
from service.flags.attention_watch import AttentionWatch
from service.log.outside_schema import CAMERA_SHOT, NOTIFICATION, NOTIFICATION_TARGET
from service.log.schema import (
    CAMERA,
    CAPTURE,
    CHORE,
    FLAG,
    FLAG_EVENT,
    HARVEST,
    PHOTO,
    PHOTO_INSPECTION,
    PLACEMENT,
    POSITION,
    RACK,
    READING,
    RUN,
    RUN_SEED,
    SEED_LOT,
    SHELF,
    TRAY,
    TRAY_INSPECTION,
    TRAY_STATE,
)
from service.photos.inspection_log import main_values
from service.photos.photo_store import PhotoStore
from service.settings import Settings
from trayvision.inspection.inspection import inspect_photo
from trayvision.inspection.record import photo_record

SEED = 20_260_302
SAMPLE = Path(__file__).parents[2] / "sample_images" / "run"
_PHOTO_OF_THE_RECORD = "tray11-day5.jpg"
RUN_DAYS, REST_HOURS = 7.0, 12.0
TWICE_A_DAY = 60
_PICTURED_DAYS = 3
_TRAYS_A_SHELF, _SHELVES_A_RACK = 4, 5
_BATCH = 4000
DAY = timedelta(days=1)
Rows = list[dict[str, Any]]


@dataclass
class Filling:
    """Rows on their way into the log, and the numbers given out so far."""

    connection: sa.Connection
    now: datetime
    rng: np.random.Generator
    _waiting: dict[str, Rows] = field(default_factory=dict)
    _ids: dict[str, int] = field(default_factory=dict)

    def add(self, table: sa.Table, **values: Any) -> int:
        """Enter a row; what is entered at its own moment says so with `entered_at`."""
        number = self._ids.get(table.name, 0) + 1
        self._ids[table.name] = number
        row: dict[str, Any] = dict.fromkeys(table.c.keys())
        if "withdrawn" in table.c:
            row |= {"entered_at": self.now, "withdrawn": False}
        row |= {"id": number, **values}
        waiting = self._waiting.setdefault(table.name, [])
        waiting.append(row)
        if len(waiting) >= _BATCH:
            self._write(table)
        return number

    def flush(self) -> None:
        """Write all rows that wait."""
        for table in (*_TABLES, RUN_SEED):
            if self._waiting.get(table.name):
                self._write(table)
        assert not any(self._waiting.values())

    def seed(self, run_entry_id: int, lot_id: int) -> None:
        """Say which seed a run holds; its table has no number of its own."""
        row = {"run_entry_id": run_entry_id, "lot_id": lot_id, "weight_g": 900.0}
        self._waiting.setdefault(RUN_SEED.name, []).append(row)

    def _write(self, table: sa.Table) -> None:
        self.connection.execute(sa.insert(table), self._waiting.pop(table.name))


_TABLES = (
    *(RACK, SHELF, POSITION, TRAY, TRAY_STATE, PLACEMENT, SEED_LOT, RUN, HARVEST, CAMERA, PHOTO),
    *(CAPTURE, PHOTO_INSPECTION, TRAY_INSPECTION, FLAG, FLAG_EVENT, READING, CHORE),
    *(CAMERA_SHOT, NOTIFICATION_TARGET, NOTIFICATION),
)


@dataclass(frozen=True)
class OneRun:
    """A run as it is drawn."""

    id: int
    tray_id: int
    spread_at: datetime
    ended_at: datetime | None
    tallest_mm: float
    half_day: float
    mouldy: bool

    def shoot_height_mm(self, day: float) -> float:
        """Logistic in age."""
        return self.tallest_mm / (1 + float(np.exp(-1.1 * (day - self.half_day))))

    def cover(self, day: float) -> float:
        """Ahead of the height by a day."""
        return 0.98 / (1 + float(np.exp(-1.5 * (day - self.half_day + 1.2))))


def fill(connection: sa.Connection, *, now: datetime, trays: int, days: int) -> list[OneRun]:
    """Fill an empty log up to `now`; returns the runs."""
    filling = Filling(connection, now, np.random.default_rng(SEED))
    start = now - days * DAY
    shelves = _racks(filling, trays)
    lots = [
        filling.add(
            SEED_LOT,
            name=f"Lot {number:03d}",
            grain="barley",
            supplier="Invented mill",
            received_at=start + number * 14 * DAY,
            weight_kg=500.0,
        )
        for number in range(days // 14 + 1)
    ]
    runs: list[OneRun] = []
    for number in range(1, trays + 1):
        tray_id = filling.add(TRAY, number=number, entered_at=start)
        runs += _runs(filling, tray_id, shelves[(number - 1) // _TRAYS_A_SHELF], lots, start)
    filling.flush()
    _photos(filling, runs)
    _flags(filling, runs)
    _air_and_chores(filling, shelves, start)
    _outside(filling, shelves, start)
    filling.flush()
    return runs


def _racks(filling: Filling, trays: int) -> list[int]:
    shelves: list[int] = []
    for number in range(-(-trays // _TRAYS_A_SHELF)):
        rack, level = divmod(number, _SHELVES_A_RACK)
        if level == 0:
            filling.add(RACK, name=f"Rack {rack + 1}")
        name = f"Rack {rack + 1}, shelf {level + 1}"
        shelf = filling.add(SHELF, rack_id=rack + 1, name=name, level=level + 1)
        shelves.append(shelf)
        for place in range(_TRAYS_A_SHELF):
            filling.add(POSITION, shelf_id=shelf, name=f"{place + 1}")
    return shelves


def _runs(
    filling: Filling, tray_id: int, shelf_id: int, lots: Sequence[int], start: datetime
) -> Iterator[OneRun]:
    """Runs of one tray, one after the other; the last ones are still under way."""
    rng, now = filling.rng, filling.now
    cycle = timedelta(days=RUN_DAYS, hours=REST_HOURS)
    # Spread in the morning, a few trays each day.
    spread_at = start + timedelta(days=float(tray_id % 7), hours=7 - start.hour, minutes=tray_id)
    while spread_at < now:
        entered = {"entered_at": spread_at}
        run = filling.add(
            RUN, tray_id=tray_id, spread_at=spread_at, soaked_at=spread_at - DAY / 2, **entered
        )
        filling.add(PLACEMENT, tray_id=tray_id, shelf_id=shelf_id, placed_at=spread_at, **entered)
        filling.seed(run, lots[min((spread_at - start).days // 14, len(lots) - 1)])
        ended_at = spread_at + timedelta(days=RUN_DAYS, hours=float(rng.uniform(-6, 6)))
        ended = ended_at if ended_at < now else None
        if ended is not None:
            filling.add(
                HARVEST,
                run_id=run,
                harvested_at=ended,
                weight_g=round(float(rng.normal(6200, 600))),
                ends_run=True,
                reason="harvested",
                entered_at=ended,
            )
            filling.add(
                TRAY_STATE, tray_id=tray_id, state="resting", since_at=ended, entered_at=ended
            )
        yield OneRun(
            run,
            tray_id,
            spread_at,
            ended,
            tallest_mm=float(rng.normal(185, 15)),
            half_day=float(rng.normal(4.6, 0.3)),
            mouldy=bool(rng.random() < 0.02),
        )
        spread_at += cycle


def true_record() -> dict[str, Any]:
    """The record of one sample photo, whose values are then replaced."""
    return photo_record(inspect_photo(SAMPLE / _PHOTO_OF_THE_RECORD, day=5.0))


def _photos(filling: Filling, runs: Sequence[OneRun]) -> None:
    """Photos of all runs in the order in which they were taken."""
    moments = sorted(
        ((at, run) for run in runs for at in _photographed(run, filling.now)),
        key=lambda photo: (photo[0], photo[1].id),
    )
    model = true_record()
    tray_model, photo_model = model["trays"][0], {**model}
    del photo_model["trays"]
    for at, run in moments:
        name = f"tray{run.tray_id}-{at:%Y%m%d-%H%M}.jpg"
        digest = sha256(name.encode()).hexdigest()
        photo = filling.add(
            PHOTO,
            sha256=digest,
            name=name,
            media_type="image/jpeg",
            size_bytes=3_000_000,
            received_at=at,
            original_kept=True,
        )
        watering = "before" if at.hour < 12 else "after"
        filling.add(
            CAPTURE,
            photo_id=photo,
            taken_at=at,
            taken_at_from="photo",
            watering=watering,
            entered_at=at,
        )
        inspection = filling.add(
            PHOTO_INSPECTION,
            photo_id=photo,
            problem=None,
            record=photo_model | {"file": name, "sha256": digest, "taken_at": at.isoformat()},
            library_version=version("trayvision"),
            entered_at=at,
        )
        record = _tray_record(tray_model, run, at, filling.rng)
        filling.add(
            TRAY_INSPECTION,
            photo_inspection_id=inspection,
            tray_id=run.tray_id,
            record=record,
            **main_values(record),
        )


def _photographed(run: OneRun, now: datetime) -> Iterator[datetime]:
    """Mornings, and evenings too of late; some are forgotten."""
    until = run.ended_at or now
    at = run.spread_at + timedelta(minutes=10)
    while at < until:
        yield at
        if at > now - TWICE_A_DAY * DAY and at + DAY / 2 < until:
            yield at + timedelta(hours=10)
        at += DAY


def _tray_record(
    model: dict[str, Any], run: OneRun, at: datetime, rng: np.random.Generator
) -> dict[str, Any]:
    day = (at - run.spread_at) / DAY
    height = run.shoot_height_mm(day) + float(rng.normal(0, 3))
    cover = float(np.clip(run.cover(day) + rng.normal(0, 0.02), 0, 1))
    record = model | {
        "tray": run.tray_id,
        "day": round(day, 3),
        "cover": {"value": round(cover, 4), "uncertainty": 0.02},
        "canopy_height_mm": {"value": round(height + 15, 1), "uncertainty": 4.0},
        "shoot_height_mm": {"value": round(height, 1), "uncertainty": 5.0},
    }
    if cover < 0.05:
        unknown = {"value": None, "uncertainty": None, "reason": "no_shoots", "remark": "None yet."}
        record |= {"shoot_height_mm": unknown}
    if run.mouldy and day > 3:
        record["mould"] = [_patch(4.0 * (day - 2.5))]
    return record


def _patch(diameter_mm: float) -> dict[str, Any]:
    area = pi * diameter_mm**2 / 4
    return {
        "look": "white fuzz",
        "likelihood": 0.9,
        "confused_with": ["root hairs"],
        "x_mm": -120.0,
        "y_mm": 60.0,
        "area_mm2": round(area, 2),
        "area_uncertainty_mm2": round(0.1 * area, 2),
        "visible_area_mm2": round(area, 2),
        "diameter_mm": round(diameter_mm, 2),
        "outline_mm": [],
    }


def _flags(filling: Filling, runs: Sequence[OneRun]) -> None:
    """What was noticed of past runs: each ready once, some more, and what became of it."""
    for run in sorted(runs, key=lambda one: one.spread_at):
        if run.ended_at is None:
            continue
        _flag(filling, run, "ready", "note", run.ended_at - DAY / 2)
        if filling.rng.random() < 0.3:
            _flag(filling, run, "no photo since", "look", run.spread_at + 3 * DAY)
        if run.mouldy:
            _flag(filling, run, "possible mould", "hold", run.spread_at + 4 * DAY)


def _flag(filling: Filling, run: OneRun, kind: str, level: str, at: datetime) -> None:
    flag = filling.add(
        FLAG,
        cause=f"{kind}/{run.id}",
        kind=kind,
        tray_id=run.tray_id,
        run_id=run.id,
        since=at,
        opened_at=at,
    )
    evidence = {
        "keys": [f"{kind}/{run.id}"],
        "strength": 1.0,
        "since": at.isoformat(),
        "trays": [run.tray_id],
        "related": [],
        "could_be": [],
        "confidence": None,
        "confidence_words": None,
        "places": [],
    }
    told = {"urgency": 1.0, "level": level, "look": "Look at the tray.", "evidence": evidence}
    for hours in (0, 6):
        moment = at + timedelta(hours=hours)
        reason = f"Invented, noticed {moment:%d %b %H:%M}."
        filling.add(
            FLAG_EVENT,
            flag_id=flag,
            kind="noticed",
            at=moment,
            reason=reason,
            entered_at=moment,
            **told,
        )
    end = at + timedelta(hours=12)
    kind_of_end = "gone" if kind == "ready" else "done"
    filling.add(FLAG_EVENT, flag_id=flag, kind=kind_of_end, at=end, entered_at=end)


def _air_and_chores(filling: Filling, shelves: Sequence[int], start: datetime) -> None:
    """An hourly thermometer of the room and of every tenth shelf; two chores a day."""
    hours = int((filling.now - start) / timedelta(hours=1))
    for hour in range(hours):
        at = start + timedelta(hours=hour)
        outside = 20.0 + 1.5 * np.sin(2 * pi * (hour % 24) / 24)
        for shelf in (None, *shelves[::10]):
            filling.add(
                READING,
                shelf_id=shelf,
                read_at=at,
                temperature_c=round(float(outside + filling.rng.normal(0, 0.3)), 2),
                humidity_percent=round(float(filling.rng.normal(68, 3)), 1),
                source="sensor",
                entered_at=at,
            )
        if hour % 12 == 0:
            done = None if filling.now - at < DAY / 2 else at + timedelta(hours=1)
            title = "Wash the floor" if hour % 24 else "Empty the drip pans"
            filling.add(
                CHORE, kind="cleaning", title=title, planned_for=at, done_at=done, entered_at=at
            )


def _outside(filling: Filling, shelves: Sequence[int], start: datetime) -> None:
    """Four folders of cameras with their tries, and two years of messages."""
    options = {"silent_after_hours": 48}
    for number in range(1, 5):
        camera = filling.add(
            CAMERA,
            name=f"over shelf {number}",
            kind="folder",
            shelf_id=shelves[min(number, len(shelves)) - 1],
            address=None,
            options=options,
            active=True,
        )
        for day in range((filling.now - start).days):
            for hour in range(0, 24, 4):
                at = start + day * DAY + timedelta(hours=hour)
                filling.add(CAMERA_SHOT, camera_id=camera, tried_at=at, outcome="same")
    target = filling.add(
        NOTIFICATION_TARGET,
        name="Nobody",
        address="json://localhost/",
        at_once=[],
        in_quiet_hours=[],
        active=False,
    )
    for day in range((filling.now - start).days):
        at = start + day * DAY
        filling.add(
            NOTIFICATION,
            target_id=target,
            key=f"digest {at:%Y-%m-%d}",
            title="Invented digest",
            body="Nothing new.",
            flags=[],
            while_open=False,
            made_at=at,
            state="sent",
            next_try_at=at,
            tries=1,
            ended_at=at,
        )


def keep_pictures(service: Service, runs: Sequence[OneRun]) -> int:
    """Give the last days' photos pictures of the sample run of the same day; returns how many."""
    now, store, kept = service.clock(), service.store, 0
    for run in runs:
        for at in _photographed(run, now):
            if at < now - _PICTURED_DAYS * DAY:
                continue
            digest = sha256(f"tray{run.tray_id}-{at:%Y%m%d-%H%M}.jpg".encode()).hexdigest()
            day = min(8, (at - run.spread_at).days)
            path = SAMPLE / f"tray{11 + run.tray_id % 2}-day{day}.jpg"
            _keep_pictures_of(store, digest, run.tray_id, path)
            kept += 1
    return kept


_pictures: dict[Path, dict[str, bytes]] = {}


def _keep_pictures_of(store: PhotoStore, digest: str, tray: int, path: Path) -> None:
    if path not in _pictures:
        with Image.open(path) as image:
            small = image.convert("RGB")
            small.thumbnail((480, 480))
        file = BytesIO()
        small.save(file, "JPEG", quality=85)
        _pictures[path] = {"original": path.read_bytes(), "small": file.getvalue()}
    store.keep_original(digest, _pictures[path]["original"])
    for name in ("thumbnail.jpg", "overlay.jpg", f"tray-{tray}.jpg"):
        store.keep_derived(digest, name, _pictures[path]["small"])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--trays", type=int, default=200)
    parser.add_argument("--days", type=int, default=730)
    parser.add_argument("--now", type=datetime.fromisoformat, default=None)
    parser.add_argument("--no-pictures", action="store_true")
    options = parser.parse_args()
    now = (options.now or datetime.now(UTC)).astimezone(UTC).replace(minute=0, microsecond=0)
    now = now.replace(second=0)
    if (options.folder / "log.sqlite").exists():
        parser.error(f"FOLDER must hold no log yet, but {options.folder} does")
    began = time.monotonic()
    settings = Settings(data=options.folder, room_name="Large invented room", time_zone="UTC")
    service = open_service(settings, clock=lambda: now)
    engine = sa.create_engine(settings.sqlalchemy_url())
    with engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA synchronous=OFF")
        connection.commit()
        runs = fill(connection, now=now, trays=options.trays, days=options.days)
        connection.commit()
    engine.dispose()
    pictures = 0 if options.no_pictures else keep_pictures(service, runs)
    AttentionWatch(service, every_minutes=60).look()
    close_service(service)
    print(
        json.dumps(
            {"runs": len(runs), "pictures": pictures, "seconds": round(time.monotonic() - began)}
        )
    )


if __name__ == "__main__":
    main()
