"""The room and its trays: what stands where, since when, and what state it is in."""

from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from service.log.entries import Entrant, correct, current, enter
from service.log.log_memory import LogMemory
from service.log.refusals import Conflict, NotFound, Refusal
from service.log.schema import PLACEMENT, RACK, ROOM, SHELF, TRAY
from service.models.room import LengthUnit, Room, TemperatureUnit, VolumeUnit, WeightUnit
from service.settings import Settings

# What a query gives of one row, by column name.
Row = sa.RowMapping

# Barley at 18 to 20 °C: 150-200 mm in 5-8 days (extension page on hydroponic fodder); the lower
# end and the last of these days, until the room says its own.
_TARGET_SHOOT_HEIGHT_MM = 150.0
_TARGET_DAY = 8.0
_PHOTO_EVERY_HOURS = 24.0


def set_up_room(connection: sa.Connection, settings: Settings, by: Entrant) -> None:
    """Enter the room on first start; later its own corrections hold."""
    if connection.execute(sa.select(ROOM.c.id).limit(1)).first() is not None:
        return
    values = {
        "name": settings.room_name,
        "time_zone": settings.time_zone,
        "tray_size": settings.tray_size,
        "grain": "barley",
        "target_shoot_height_mm": _TARGET_SHOOT_HEIGHT_MM,
        "target_day": _TARGET_DAY,
        "photo_every_hours": _PHOTO_EVERY_HOURS,
        "temperature_unit": str(TemperatureUnit.CELSIUS),
        "weight_unit": str(WeightUnit.KILOGRAM),
        "volume_unit": str(VolumeUnit.LITRE),
        "length_unit": str(LengthUnit.CENTIMETRE),
    }
    enter(connection, ROOM, values, by)


def the_room(connection: sa.Connection) -> Room:
    """The room as it holds now."""
    return _ROOM.of(connection)


def _read_room(connection: sa.Connection, _before: object) -> Room:
    row = connection.execute(sa.select(current(ROOM))).mappings().one()
    return Room.model_validate({name: row[name] for name in Room.model_fields})


_ROOM = LogMemory((ROOM,), _read_room)


def in_utc(moment: datetime, room: Room) -> datetime:
    """A moment in UTC; without an offset it is the room's own time.

    Of the hour that a clock shows twice in autumn, the first is meant.
    """
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=ZoneInfo(room.time_zone))
    return moment.astimezone(UTC)


def told_moment(field: str, moment: datetime, room: Room) -> datetime:
    """A moment that people tell, in UTC. Raises Refusal where the room's clocks left it out.

    Midnight may stand for a date, which no clock leaves out.
    """
    found = in_utc(moment, room)
    if moment.tzinfo is None and moment.time() != time():
        shown = found.astimezone(ZoneInfo(room.time_zone)).replace(tzinfo=None)
        if shown != moment.replace(fold=0):
            raise Refusal(
                field,
                f"must be a time that clocks in {room.time_zone} show, got "
                f"{moment:%Y-%m-%d %H:%M}: they go forward then and leave that hour out",
            )
    return found


def one(connection: sa.Connection, table: sa.Table, thing_id: int) -> Row:
    """What holds now of one thing.

    Raises
    ------
    NotFound
        If there is none, or it was withdrawn.
    """
    now = current(table)
    row = connection.execute(sa.select(now).where(now.c.id == thing_id)).mappings().first()
    if row is None:
        raise NotFound(table.name, thing_id)
    return row


def find_tray(connection: sa.Connection, number: int) -> Row | None:
    """The tray with a number, None where none is registered."""
    return trays_by_number(connection).get(number)


def tray_numbered(connection: sa.Connection, number: int) -> Row:
    """The tray with a number.

    Raises
    ------
    NotFound
        If none is registered.
    """
    row = find_tray(connection, number)
    if row is None:
        raise NotFound("tray", number)
    return row


def register_tray(
    connection: sa.Connection,
    number: int,
    *,
    by: Entrant,
    size: str | None = None,
    note: str | None = None,
) -> int:
    """Register a tray; returns its id.

    One whose registration was withdrawn takes its number and history up again.

    Raises
    ------
    Conflict
        If the number is taken.
    """
    if find_tray(connection, number) is not None:
        raise Conflict("number", f"must be a new tray's, but tray {number} is in the log")
    known = _first_entry(connection, number)
    if known is None:
        return enter(connection, TRAY, {"number": number, "size": size, "note": note}, by)
    correct(connection, TRAY, known, {"size": size, "note": note}, by=by, why="registered again")
    return known


def tray_or_new(connection: sa.Connection, number: int, by: Entrant) -> int:
    """Id of the tray with a number, registered now where a photo is the first to show it."""
    known = find_tray(connection, number)
    return int(known["id"]) if known is not None else register_tray(connection, number, by=by)


def _first_entry(connection: sa.Connection, number: int) -> int | None:
    statement = sa.select(TRAY.c.id).where(TRAY.c.number == number, TRAY.c.original_id.is_(None))
    return connection.execute(statement).scalar()


def tray_sizes(connection: sa.Connection) -> dict[int, str]:
    """Sizes of the trays that have their own, by number."""
    return {
        number: row["size"]
        for number, row in trays_by_number(connection).items()
        if row["size"] is not None
    }


def placements(connection: sa.Connection, tray_id: int) -> list[Row]:
    """Where a tray stood, oldest first."""
    now = current(PLACEMENT)
    statement = (
        sa.select(now).where(now.c.tray_id == tray_id).order_by(now.c.placed_at, now.c.entry_id)
    )
    return list(connection.execute(statement).mappings())


def placement_at(connection: sa.Connection, tray_id: int, moment: datetime) -> Row | None:
    """Where a tray stood at a moment; None where nobody said."""
    before = [row for row in placements(connection, tray_id) if row["placed_at"] <= moment]
    return before[-1] if before else None


def shelf_of(connection: sa.Connection, tray_id: int, moment: datetime) -> int | None:
    """Shelf that a tray stood on at a moment; None where that is not known."""
    placement = placement_at(connection, tray_id, moment)
    return None if placement is None else placement["shelf_id"]


def shelf_names(connection: sa.Connection) -> Mapping[int, str]:
    """Names of the shelves by id, the highest first; with the rack's where several share one."""
    return _SHELF_NAMES.of(connection)


def _read_shelf_names(connection: sa.Connection, _before: object) -> Mapping[int, str]:
    now, racks = current(SHELF), current(RACK)
    rows = connection.execute(sa.select(now).order_by(now.c.level, now.c.id)).all()
    rack_names = {row.id: row.name for row in connection.execute(sa.select(racks))}
    counts = Counter(row.name for row in rows)
    return {
        row.id: row.name
        if counts[row.name] == 1
        else f"{rack_names.get(row.rack_id, 'rack')}, {row.name}"
        for row in rows
    }


_SHELF_NAMES = LogMemory((SHELF, RACK), _read_shelf_names)


def trays_by_number(connection: sa.Connection) -> Mapping[int, Row]:
    """What holds now of all registered trays, by number and in its order."""
    return _TRAYS.of(connection)


def _read_trays(connection: sa.Connection, _before: object) -> Mapping[int, Row]:
    now = current(TRAY)
    rows = connection.execute(sa.select(now).order_by(now.c.number)).mappings()
    return {row["number"]: row for row in rows}


_TRAYS = LogMemory((TRAY,), _read_trays)


def numbers_of_trays(connection: sa.Connection) -> dict[int, int]:
    """Numbers of all registered trays by id."""
    return {row["id"]: number for number, row in trays_by_number(connection).items()}
