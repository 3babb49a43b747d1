"""The order in which somebody walks along the trays: rack, shelf from the top, position."""

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import sqlalchemy as sa

from service.log.entries import current
from service.log.log_memory import LogMemory, last_until
from service.log.schema import POSITION, RACK, SHELF
from service.room.room_log import trays_by_number
from service.runs.run_places import PLACES

Counted = tuple[tuple[int, int, str], ...]


@dataclass(frozen=True)
class TrayPlace:
    """Where a tray stands; sorted by its orders, places come as one walks along them.

    Parameters
    ----------
    shelf : str
        Such as ``"Rack by the door, Top shelf"``.
    position : str
        Empty where nobody said.
    shelf_order : tuple of int
        Trays that stand nowhere come last.
    position_order : tuple
    """

    shelf: str
    position: str
    shelf_order: tuple[int, ...]
    position_order: Counted


NO_PLACE: Final = TrayPlace("Place not recorded", "", (1,), ())


def tray_places(connection: sa.Connection, now: datetime) -> dict[int, TrayPlace]:
    """Where every registered tray stands, by number."""
    shelves, positions = _SHELVES.of(connection)
    placed = PLACES.of(connection)
    found = {}
    for number, tray in trays_by_number(connection).items():
        row = last_until(placed.get(tray["id"], ()), "placed_at", now)
        shelf = None if row is None else shelves.get(row["shelf_id"])
        if row is None or shelf is None:
            found[number] = NO_PLACE
            continue
        position, order = positions.get(row["position_id"], ("", ()))
        found[number] = TrayPlace(shelf[0], position, shelf[1], order)
    return found


# Names and orders of shelves, and of positions, by id.
_Places = tuple[dict[int, tuple[str, tuple[int, ...]]], dict[int, tuple[str, Counted]]]


def _read_places(connection: sa.Connection, _before: object) -> _Places:
    shelves, racks, positions = (current(table) for table in (SHELF, RACK, POSITION))
    names = {row.id: row.name for row in connection.execute(sa.select(racks))}
    return (
        {
            row.id: (
                f"{names.get(row.rack_id, 'Rack')}, {row.name}",
                (0, row.rack_id, row.level, row.id),
            )
            for row in connection.execute(sa.select(shelves))
        },
        {
            row.id: (row.name, as_counted(row.name))
            for row in connection.execute(sa.select(positions))
        },
    )


_SHELVES = LogMemory((SHELF, RACK, POSITION), _read_places)


def as_counted(name: str) -> Counted:
    """Sorts names with numbers as people count: 2 before 10."""
    parts = re.findall(r"\d+|\D+", name)
    return tuple((0, int(part), "") if part.isdecimal() else (1, 0, part) for part in parts)
