"""Racks, shelves and positions as they stand: top shelf first, left to right."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from service.log.entries import current
from service.log.log_memory import LogMemory
from service.log.schema import POSITION, RACK, SHELF


@dataclass(frozen=True)
class Position:
    """A place for one tray."""

    id: int
    name: str


@dataclass(frozen=True)
class Shelf:
    """One shelf, level 1 the top one, its positions from left to right."""

    id: int
    name: str
    level: int
    positions: tuple[Position, ...]


@dataclass(frozen=True)
class Rack:
    """One rack, its top shelf first."""

    id: int
    name: str
    shelves: tuple[Shelf, ...]


def racks_as_they_stand(connection: sa.Connection) -> tuple[Rack, ...]:
    """All racks of the room, in the order in which they were entered."""
    return _RACKS.of(connection)


def _read_racks(connection: sa.Connection, _before: object) -> tuple[Rack, ...]:
    racks, shelves, positions = current(RACK), current(SHELF), current(POSITION)
    by_shelf: dict[int, list[Position]] = {}
    for row in connection.execute(sa.select(positions).order_by(positions.c.id)):
        by_shelf.setdefault(row.shelf_id, []).append(Position(row.id, row.name))
    by_rack: dict[int, list[Shelf]] = {}
    for row in connection.execute(sa.select(shelves).order_by(shelves.c.level, shelves.c.id)):
        standing = _left_to_right(by_shelf.get(row.id, []))
        by_rack.setdefault(row.rack_id, []).append(Shelf(row.id, row.name, row.level, standing))
    rows = connection.execute(sa.select(racks).order_by(racks.c.id))
    return tuple(Rack(row.id, row.name, tuple(by_rack.get(row.id, ()))) for row in rows)


_RACKS = LogMemory((RACK, SHELF, POSITION), _read_racks)


def _left_to_right(positions: Sequence[Position]) -> tuple[Position, ...]:
    """By the numbers in their names where all have one, else as entered."""
    numbers = [re.findall(r"\d+", one.name) for one in positions]
    if not all(numbers):
        return tuple(positions)
    order = sorted(range(len(positions)), key=lambda index: int(numbers[index][-1]))
    return tuple(positions[index] for index in order)
