"""The invented farm of the demonstration: what its people would have entered beside the photos.

Trays, shelves, lots and moments of spreading come with the sample run; air, water and the rest
are made up here and say so.
"""

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import cos, pi
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

from service.context import Service
from service.log.entries import Entrant, correct, enter
from service.log.schema import PLACEMENT, ROOM
from service.models import room as rooms
from service.models import runs
from service.room.room_log import the_room, tray_numbered
from service.room.things import CHORES, LOTS, POSITIONS, RACKS, SHELVES
from service.runs.run_changes import new_run

FARM: Final = "Steinbach farm (invented)"
TIME_ZONE: Final = "Europe/Vienna"
INVENTED: Final = "invented for the demonstration"
_SOAKED: Final = timedelta(hours=12)
_AIR_EVERY: Final = timedelta(hours=2)
_WATER_AT: Final = (7.0, 15.0, 23.0)
# The afternoon on which the room's fan stands still.
_FAN_OFF_DAY, _FAN_OFF_FROM, _FAN_OFF_TO = 5, 13.0, 19.0


@dataclass(frozen=True)
class SamplePhoto:
    """One photo of the sample run."""

    path: Path
    tray: int
    taken_at: datetime
    camera: str | None


@dataclass(frozen=True)
class SampleRun:
    """Nine days of eight trays, as `sample_images/run/run.json` tells them."""

    spread_at: datetime
    tray_size: str
    shelves: tuple[dict[str, Any], ...]
    lots: tuple[dict[str, Any], ...]
    trays: tuple[dict[str, Any], ...]
    photos: tuple[SamplePhoto, ...]

    @classmethod
    def read(cls, folder: Path) -> "SampleRun":
        """Read a sample run.

        Raises
        ------
        ValueError
            If there is none in the folder.
        """
        path = folder / "run.json"
        if not path.is_file():
            raise ValueError(f"the sample run must lie in {folder}, but there is no run.json")
        said = json.loads(path.read_text(encoding="utf-8"))
        fixed = {shelf["id"] for shelf in said["shelves"] if shelf["camera"] == "fixed"}
        shelf_of = {tray["number"]: tray["shelf"] for tray in said["trays"]}
        photos = [
            SamplePhoto(
                folder / one["file"],
                one["tray"],
                datetime.fromisoformat(one["taken_at"]),
                f"over tray {one['tray']}" if shelf_of[one["tray"]] in fixed else None,
            )
            for one in said["photos"]
        ]
        size = said["tray_size_mm"]
        return cls(
            spread_at=datetime.fromisoformat(said["spread_at"]),
            tray_size=f"{size['length']}x{size['width']}x{size['depth']}",
            shelves=tuple(said["shelves"]),
            lots=tuple(said["lots"]),
            trays=tuple(said["trays"]),
            photos=tuple(sorted(photos, key=lambda one: (one.taken_at, one.tray))),
        )


def lay_out(service: Service, sample: SampleRun) -> dict[str, int]:
    """Enter racks, shelves, lots and runs; returns the ids of the shelves by their sample names."""
    by = service.entrant()
    with service.database.write() as connection:
        room_id = the_room(connection).id
        correct(connection, ROOM, room_id, {"day_zero": "spread"}, by=by, why=INVENTED)
        shelves = _racks(connection, sample, by)
        lots = {
            lot["lot"]: LOTS.add(
                connection,
                runs.NewLot(name=lot["lot"], grain=lot["crop"], note=lot["note"]),
                by,
            ).id
            for lot in sample.lots
        }
    for tray in sample.trays:
        spread_at = datetime.fromisoformat(tray["spread_at"])
        seed = [runs.Seed(lot_id=lots[tray["lot"]], weight_g=None)]
        start = runs.NewRun(
            tray=tray["number"], spread_at=spread_at, soaked_at=spread_at - _SOAKED, seed=seed
        )
        new_run(service, start, by)
        with service.database.write() as connection:
            _place(connection, tray, shelves[tray["shelf"]], spread_at, by)
    return shelves


def _racks(connection: sa.Connection, sample: SampleRun, by: Entrant) -> dict[str, int]:
    rack = RACKS.add(connection, rooms.NewRack(name="Rack by the door", note=INVENTED), by)
    shelves = {}
    for level, shelf in enumerate(sample.shelves, 1):
        new = rooms.NewShelf(rack_id=rack.id, name=shelf["name"], level=level)
        shelves[shelf["id"]] = SHELVES.add(connection, new, by).id
    return shelves


def _place(
    connection: sa.Connection, tray: dict[str, Any], shelf_id: int, at: datetime, by: Entrant
) -> None:
    name = rooms.NewPosition(shelf_id=shelf_id, name=str(tray["position"]))
    placement = {
        "tray_id": tray_numbered(connection, tray["number"])["id"],
        "shelf_id": shelf_id,
        "position_id": POSITIONS.add(connection, name, by).id,
        "placed_at": at,
    }
    enter(connection, PLACEMENT, placement, by)


def water_cycles(sample: SampleRun) -> Iterator[datetime]:
    """When water ran, till the last photo."""
    return _times(sample, _WATER_AT)


def air_readings(
    sample: SampleRun, shelves: dict[str, int]
) -> Iterator[tuple[datetime, list[runs.NewReading]]]:
    """Temperature and humidity of each shelf every two hours, the top one a little warmer."""
    hours = [float(hour) for hour in range(0, 24, int(_AIR_EVERY / timedelta(hours=1)))]
    for read_at in _times(sample, hours):
        clock = read_at.hour + read_at.minute / 60
        fan_off = (read_at.date() - sample.spread_at.date()).days == _FAN_OFF_DAY
        fan_off = fan_off and _FAN_OFF_FROM <= clock <= _FAN_OFF_TO
        warmth = 19.0 + cos((clock - 15) / 24 * 2 * pi) + (9.0 if fan_off else 0.0)
        above = enumerate(reversed(list(shelves.values())))
        yield read_at, [_reading(shelf_id, read_at, warmth, step) for step, shelf_id in above]


def _reading(shelf_id: int, read_at: datetime, warmth: float, step: int) -> runs.NewReading:
    return runs.NewReading(
        shelf_id=shelf_id,
        read_at=read_at,
        temperature_c=round(warmth + 0.8 * step, 1),
        humidity_percent=round(66.0 - warmth / 4 - 2.0 * step, 1),
        source="demonstration",
        note=INVENTED,
    )


def enter_water(connection: sa.Connection, done_at: datetime, by: Entrant) -> None:
    """One water cycle of the room."""
    chore = runs.NewChore(kind="water", title="Water cycle", done_at=done_at, note=INVENTED)
    CHORES.add(connection, chore, by)


def _times(sample: SampleRun, hours: Iterable[float]) -> Iterator[datetime]:
    midnight = sample.spread_at.replace(hour=0, minute=0, second=0, microsecond=0)
    last = sample.photos[-1].taken_at
    clock_hours = sorted(hours)
    for day in range((last - midnight).days + 1):
        for hour in clock_hours:
            at = midnight + timedelta(days=day, hours=hour)
            if sample.spread_at <= at <= last:
                yield at
