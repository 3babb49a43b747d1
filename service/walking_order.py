"""The order in which somebody walks along the trays: rack, shelf from the top, position."""

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import sqlalchemy as sa

from service.entries import current
from service.log_memory import last_until
from service.run_readings import PLACES
from service.schema import POSITION, RACK, SHELF, TRAY

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
    trays, shelves, racks, positions = (current(table) for table in (TRAY, SHELF, RACK, POSITION))
    shelf_rows = {row.id: row for row in connection.execute(sa.select(shelves))}
    rack_names = {row.id: row.name for row in connection.execute(sa.select(racks))}
    position_names = {row.id: row.name for row in connection.execute(sa.select(positions))}
    placed = PLACES.of(connection)
    found = {}
    for tray in connection.execute(sa.select(trays.c.id, trays.c.number)):
        row = last_until(placed.get(tray.id, ()), "placed_at", now)
        shelf = None if row is None else shelf_rows.get(row["shelf_id"])
        if row is None or shelf is None:
            found[tray.number] = NO_PLACE
            continue
        position = position_names.get(row["position_id"], "")
        found[tray.number] = TrayPlace(
            f"{rack_names.get(shelf.rack_id, 'Rack')}, {shelf.name}",
            position,
            (0, shelf.rack_id, shelf.level, shelf.id),
            as_counted(position),
        )
    return found


def as_counted(name: str) -> Counted:
    """Sorts names with numbers as people count: 2 before 10."""
    parts = re.findall(r"\d+|\D+", name)
    return tuple((0, int(part), "") if part.isdecimal() else (1, 0, part) for part in parts)
