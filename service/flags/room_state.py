"""The room as its log knows it at a moment, in the form that the reasons to look work on."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from service.cameras.camera_states import camera_states
from service.flags.flag_answers import answers
from service.growth.growth import RoomGrowth
from service.growth.room_usual import usual_growth
from service.growth.run_readings import run_series
from service.growth.run_series import RunReadings
from service.log.entries import current
from service.log.log_memory import since_last
from service.log.schema import (
    POSITION,
    READING,
    SHELF,
    TRAY_INSPECTION,
)
from service.models.room import DayZero, Room, TemperatureUnit
from service.models.runs import Seed
from service.room.room_log import Row, shelf_names, trays_by_number
from service.runs.run_calendar import RunCalendar, RunSpan, present_run
from service.runs.run_log import lot_names, seed_of_entries
from service.runs.run_places import PLACES
from trayvision.attention.readings import TrayReading, reading_of_a_part, reading_of_record
from trayvision.attention.state import AirReading, HarvestDue, Placement, RoomState, RunState
from trayvision.growth.prior import Quantity
from trayvision.reference_kit import TraySize
from trayvision.warning.patch_sighting import Watering

# Air of longer ago than a run lasts says nothing of it.
_AIR_DAYS: Final = timedelta(days=10)
# Whose siblings were taken longer ago is compared with the rest of its batch alone.
_TAKEN_DAYS: Final = timedelta(days=3)
_ONE_DAY: Final = timedelta(days=1)
_AT_ONCE: Final = 500
# Columns of a reading that reasons to look know by the same names.
_AIR: Final = tuple(one.name for one in fields(AirReading) if one.name != "shelf")

ReadingKey = tuple[int, datetime, str]


class TrayReadings:
    """Readings of trays from the log's records, each worked out once.

    A row of `tray_inspection` never changes; only what is said of its photo does.
    """

    def __init__(self) -> None:
        self._known: dict[ReadingKey, TrayReading] = {}

    def of_runs(
        self, connection: sa.Connection, spans: Sequence[RunSpan]
    ) -> dict[int, tuple[TrayReading, ...]]:
        """All readings of some runs, by run id, in order of time."""
        by_run = {
            run: sorted(one.rows, key=lambda row: (row["taken_at"], row["photo_id"], row["id"]))
            for run, one in run_series(connection, spans).items()
        }
        keys = {_key(row): row for rows in by_run.values() for row in rows}
        self._read(connection, [row for key, row in keys.items() if key not in self._known])
        self._known = {key: self._known[key] for key in keys}
        whole_until = {span.id: span.whole_until for span in spans}
        return {
            run: tuple(_of_tray(self._known[_key(row)], whole_until[run]) for row in rows)
            for run, rows in by_run.items()
            if rows
        }

    def _read(self, connection: sa.Connection, rows: Sequence[Row]) -> None:
        for start in range(0, len(rows), _AT_ONCE):
            part = {row["id"]: row for row in rows[start : start + _AT_ONCE]}
            statement = sa.select(TRAY_INSPECTION.c.id, TRAY_INSPECTION.c.record).where(
                TRAY_INSPECTION.c.id.in_(part)
            )
            for found in connection.execute(statement):
                row = part[found.id]
                self._known[_key(row)] = reading_of_record(
                    found.record,
                    photo_id=str(row["photo_id"]),
                    taken_at=row["taken_at"],
                    watering=Watering(row["watering"]),
                )


def _of_tray(reading: TrayReading, whole_until: datetime | None) -> TrayReading:
    """The reading, without what a tray of which a part was taken does not tell."""
    taken_at = reading.photo.taken_at
    return reading if whole_until is None or taken_at < whole_until else reading_of_a_part(reading)


def _key(row: Row) -> ReadingKey:
    return row["id"], row["taken_at"], row["watering"]


@dataclass(frozen=True)
class RoomNames:
    """What the log's numbers are called in the reasons to look, and back.

    Parameters
    ----------
    trays : mapping of tray number to its id
    runs : mapping of tray number to the id of its open run
    shelves, lots : mapping of id to name
        A shelf whose name stands in several racks carries its rack's.
    """

    trays: dict[int, int]
    runs: dict[int, int]
    shelves: dict[int, str]
    lots: dict[int, str]


def room_state(
    connection: sa.Connection, room: Room, now: datetime, *, readings: TrayReadings
) -> tuple[RoomState, RoomNames]:
    """The room at a moment.

    Parameters
    ----------
    connection : Connection
    room : Room
    now : aware datetime
    readings : TrayReadings
        Kept from one call to the next, it saves reading records again.
    """
    growth = RoomGrowth(connection, room, now)
    shelves = current(SHELF)
    places = list(connection.execute(sa.select(shelves)).mappings())
    names = dict(shelf_names(connection))
    lots = dict(lot_names(connection))
    spans = _open_spans(growth.calendar, now)
    taken = _taken_beside(growth.calendar, spans, now)
    seen = readings.of_runs(connection, [*spans, *taken])
    stood = _placements(connection, spans, places, names)
    seed = seed_of_entries(connection, [span.row["entry_id"] for span in (*spans, *taken)])
    sizes = _sizes(connection, room)

    def run_state(one: RunReadings, *, grows: bool) -> RunState:
        return RunState(
            run_id=str(one.span.id),
            tray=one.span.number,
            spread_at=one.span.spread_at,
            readings=seen.get(one.span.id, ()),
            placements=stood.get(one.span.tray_id, ()) if grows else (),
            lots=_lots(seed.get(one.span.row["entry_id"], ()), lots),
            opening_mm=sizes[one.span.tray_id],
            target_shoot_height_mm=None if one.target is None else one.target.value,
            target_day=None if one.target is None else one.target.day,
            harvest=_harvest(growth, one) if grows else None,
            counted_from=one.span.soaked_at if room.day_zero == DayZero.SOAK else None,
            in_tray_from=one.span.row["in_tray_from"],
            grain=one.grain,
            usual_cover=usual_growth(growth.finished, one.grain, Quantity.COVER),
            usual_height_mm=usual_growth(growth.finished, one.grain, Quantity.HEIGHT),
        )

    state = RoomState(
        now=now.astimezone(ZoneInfo(room.time_zone)),
        runs=tuple(run_state(one, grows=True) for one in growth.readings(spans)),
        taken=tuple(run_state(one, grows=False) for one in growth.readings(taken)),
        cameras=camera_states(connection, names, now),
        air=_air(connection, names, now),
        answers=answers(connection),
        photo_every=timedelta(hours=room.photo_every_hours),
        in_fahrenheit=room.temperature_unit is TemperatureUnit.FAHRENHEIT,
    )
    trays = {span.number: span.tray_id for span in spans}
    open_runs = {span.number: span.id for span in spans}
    return state, RoomNames(trays, open_runs, names, lots)


def _lots(seed: Sequence[Seed], names: Mapping[int, str]) -> tuple[str, ...]:
    """Names of the lots of a run; one that no longer stands must not keep the room from a look."""
    return tuple(names[part.lot_id] for part in seed if part.lot_id in names)


def _open_spans(calendar: RunCalendar, now: datetime) -> list[RunSpan]:
    """The run of each tray that was spread and has not ended."""
    begun = (
        [span for span in spans if span.begins_at <= now] for spans in calendar.by_tray.values()
    )
    present = (present_run(spans, now) for spans in begun)
    return [span for span in present if span is not None]


def _taken_beside(
    calendar: RunCalendar, growing: Sequence[RunSpan], now: datetime
) -> list[RunSpan]:
    """Runs that ended in the last days and were spread about when some that grow were."""
    begun = [span.spread_at for span in growing]
    return [
        span
        for spans in calendar.by_tray.values()
        for span in spans
        if span.ended_at is not None
        and now - _TAKEN_DAYS < span.ended_at <= now
        and any(abs(span.spread_at - moment) < _ONE_DAY for moment in begun)
    ]


def _harvest(growth: RoomGrowth, run: RunReadings) -> HarvestDue | None:
    forecast = growth.forecast(run)
    if forecast.harvest_at is None:
        return None
    return HarvestDue(forecast.harvest_at, forecast.low_at, forecast.high_at)


def _placements(
    connection: sa.Connection,
    spans: Sequence[RunSpan],
    shelves: Sequence[Row],
    names: dict[int, str],
) -> dict[int, tuple[Placement, ...]]:
    """Where trays stood since their run began, or since they were last put on the racks."""
    by_id = {row["id"]: row for row in shelves}
    positions = current(POSITION)
    position_names = {row.id: row.name for row in connection.execute(sa.select(positions))}
    places = PLACES.of(connection)
    stood: dict[int, tuple[Placement, ...]] = {}
    for span in spans:
        for row in since_last(places.get(span.tray_id, ()), "placed_at", span.begins_at):
            shelf = by_id.get(row["shelf_id"])
            if shelf is None:
                stood[span.tray_id] = ()
                continue
            placement = Placement(
                placed_at=row["placed_at"],
                shelf=names[shelf["id"]],
                rack=str(shelf["rack_id"]),
                level=shelf["level"],
                position=position_names.get(row["position_id"]),
                # Shelves of one rack share their water where nobody said otherwise.
                water_path=shelf["water_path"] or f"rack {shelf['rack_id']}",
            )
            stood[span.tray_id] = (*stood.get(span.tray_id, ()), placement)
    return stood


def _sizes(connection: sa.Connection, room: Room) -> dict[int, tuple[float, float]]:
    sizes = {}
    for tray in trays_by_number(connection).values():
        size = TraySize.parse(tray["size"] or room.tray_size)
        sizes[tray["id"]] = (size.length_mm, size.width_mm)
    return sizes


def _air(connection: sa.Connection, names: dict[int, str], now: datetime) -> tuple[AirReading, ...]:
    readings = current(READING)
    statement = (
        sa.select(readings.c.shelf_id, *(readings.c[name] for name in _AIR))
        .where(readings.c.read_at > now - _AIR_DAYS, readings.c.read_at <= now)
        .order_by(readings.c.read_at, readings.c.id)
    )
    return tuple(
        AirReading(shelf=names.get(shelf_id), **dict(zip(_AIR, values, strict=True)))
        for shelf_id, *values in connection.execute(statement)
    )
