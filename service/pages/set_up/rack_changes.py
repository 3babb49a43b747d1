"""Racks with all their shelves and places: entered, named and withdrawn many at once."""

from collections.abc import Iterable, Mapping, Sequence

import sqlalchemy as sa

from service.context import Service
from service.log.entries import Entrant, history
from service.log.refusals import Conflict, Refusal
from service.models.base import Change, Entered
from service.models.room import (
    NewPosition,
    NewRack,
    NewShelf,
    Position,
    PositionChange,
    Rack,
    Shelf,
    ShelfChange,
)
from service.pages.notices import Entry
from service.photos.ingest import tell_watchers
from service.room.rack_log import racks_as_they_stand
from service.room.resources import Resource
from service.room.things import POSITIONS, RACKS, SHELVES

MOST_SHELVES, MOST_PLACES = 30, 60
# What was entered is named in a cookie, for the undo; browsers keep no more than 4 kB.
MOST_AT_ONCE = 120
_ALL = 1000


def shelves_of(connection: sa.Connection, rack_id: int) -> list[Shelf]:
    """Shelves of a rack, the top one first."""
    found = SHELVES.all(connection, limit=_ALL, where={"rack_id": rack_id})
    shelves = [shelf for shelf in found if isinstance(shelf, Shelf)]
    return sorted(shelves, key=lambda shelf: (shelf.level, shelf.id))


def positions_of(connection: sa.Connection, shelf_id: int) -> list[Position]:
    """Places of a shelf, in the order in which they were entered."""
    found = POSITIONS.all(connection, limit=_ALL, where={"shelf_id": shelf_id})
    return [position for position in found if isinstance(position, Position)]


def places_by_shelf(connection: sa.Connection) -> dict[int, int]:
    """How many places each shelf has."""
    racks = racks_as_they_stand(connection)
    return {shelf.id: len(shelf.positions) for rack in racks for shelf in rack.shelves}


def add_rack(
    service: Service, rack: NewRack, *, shelves: int, places: int, by: Entrant
) -> tuple[Rack, list[Entry]]:
    """Enter a rack with so many shelves of so many places each. Raises Refusal."""
    _not_too_many(1 + shelves * (1 + places))
    with service.database.write() as connection:
        made = RACKS.add(connection, rack, by)
        assert isinstance(made, Rack)
        entries = [Entry("rack", made.entry_id)]
        entries += _add_shelves(connection, made.id, range(1, shelves + 1), places, by)
    tell_watchers(service, ())
    return made, entries


def add_shelves(
    service: Service, rack_id: int, *, shelves: int, places: int, by: Entrant
) -> list[Entry]:
    """Enter further shelves below those that a rack has. Raises Refusal."""
    _not_too_many(shelves * (1 + places))
    with service.database.write() as connection:
        last = max((shelf.level for shelf in shelves_of(connection, rack_id)), default=0)
        levels = range(last + 1, last + shelves + 1)
        entries = _add_shelves(connection, rack_id, levels, places, by)
    tell_watchers(service, ())
    return entries


def add_places(service: Service, shelf_id: int, *, places: int, by: Entrant) -> list[Entry]:
    """Enter further places on a shelf. Raises Refusal."""
    with service.database.write() as connection:
        taken = {position.name for position in positions_of(connection, shelf_id)}
        return _add_places(connection, shelf_id, places, by, taken)


def order_shelves(
    service: Service, levels: Mapping[int, int], rack_id: int, by: Entrant
) -> list[Entry]:
    """Give the shelves of a rack the levels that were typed for them. Raises Refusal."""
    doubled = len(set(levels.values())) != len(levels)
    if doubled:
        raise Refusal("level", "must be another one for each shelf, got one twice")
    with service.database.write() as connection:
        entries = [
            _corrected(
                SHELVES,
                connection,
                shelf.id,
                ShelfChange.model_validate({"level": levels[shelf.id]}),
                by,
            )
            for shelf in shelves_of(connection, rack_id)
            if shelf.id in levels and levels[shelf.id] != shelf.level
        ]
    tell_watchers(service, ())
    return entries


def name_places(
    service: Service, shelf_id: int, names: Mapping[int, str | None], by: Entrant
) -> list[Entry]:
    """Rename places; those without a name are withdrawn. Raises Refusal."""
    entries = []
    with service.database.write() as connection:
        for position in positions_of(connection, shelf_id):
            name = names.get(position.id, position.name)
            if name is None:
                entries += _withdrawn(POSITIONS, connection, [position], by)
            elif name != position.name:
                change = PositionChange.model_validate({"name": name})
                entries.append(_corrected(POSITIONS, connection, position.id, change, by))
    return entries


def withdraw_rack(service: Service, rack_id: int, by: Entrant) -> list[Entry]:
    """Withdraw a rack with its shelves and places. Raises NotFound and Conflict."""
    with service.database.write() as connection:
        rack = RACKS.get(connection, rack_id)
        entries: list[Entry] = []
        for shelf in shelves_of(connection, rack_id):
            entries += _withdraw_shelf(connection, shelf, by)
        entries += _withdrawn(RACKS, connection, [rack], by)
    tell_watchers(service, ())
    return entries


def withdraw_shelf(service: Service, shelf_id: int, by: Entrant) -> list[Entry]:
    """Withdraw a shelf with its places. Raises NotFound and Conflict."""
    with service.database.write() as connection:
        entries = _withdraw_shelf(connection, SHELVES.get(connection, shelf_id), by)
    tell_watchers(service, ())
    return entries


def _withdraw_shelf(connection: sa.Connection, shelf: Entered, by: Entrant) -> list[Entry]:
    places = _withdrawn(POSITIONS, connection, positions_of(connection, shelf.id), by)
    return places + _withdrawn(SHELVES, connection, [shelf], by)


def _withdrawn(
    resource: Resource, connection: sa.Connection, things: Sequence[Entered], by: Entrant
) -> list[Entry]:
    entries = []
    for thing in things:
        try:
            resource.withdraw(connection, thing.id, by=by, why=None)
        except Conflict as conflict:
            name = getattr(thing, "name", thing.id)
            used = conflict.rule.partition("referred to by ")[2].replace("_", " ")
            raise Conflict(
                resource.table.name,
                f"{name} is spoken of in the log ({used}), which must stay readable: "
                "rename it instead",
            ) from conflict
        last = history(connection, resource.table, thing.id)[-1]
        entries.append(Entry(resource.table.name, last["id"]))
    return entries


def _corrected(
    resource: Resource, connection: sa.Connection, thing_id: int, change: Change, by: Entrant
) -> Entry:
    out = resource.correct(connection, thing_id, change, by)
    return Entry(resource.table.name, out.entry_id)


def _add_shelves(
    connection: sa.Connection, rack_id: int, levels: Iterable[int], places: int, by: Entrant
) -> list[Entry]:
    taken = {shelf.name for shelf in shelves_of(connection, rack_id)}
    entries = []
    for level in levels:
        name = _free_name(f"Shelf {level}", taken)
        shelf = SHELVES.add(connection, NewShelf(rack_id=rack_id, name=name, level=level), by)
        entries.append(Entry("shelf", shelf.entry_id))
        entries += _add_places(connection, shelf.id, places, by, set())
    return entries


def _add_places(
    connection: sa.Connection, shelf_id: int, places: int, by: Entrant, taken: set[str]
) -> list[Entry]:
    entries: list[Entry] = []
    number = 0
    while len(entries) < places:
        number += 1
        if str(number) in taken:
            continue
        new = NewPosition(shelf_id=shelf_id, name=str(number))
        entries.append(Entry("position", POSITIONS.add(connection, new, by).entry_id))
    return entries


def _free_name(wanted: str, taken: set[str]) -> str:
    name, number = wanted, 1
    while name in taken:
        number += 1
        name = f"{wanted} ({number})"
    taken.add(name)
    return name


def _not_too_many(things: int) -> None:
    if things > MOST_AT_ONCE:
        raise Refusal(
            "shelves",
            f"and places together must be at most {MOST_AT_ONCE} at once, so that one undo can "
            f"take them back; got {things}. Enter fewer now, and add the rest afterwards",
        )
