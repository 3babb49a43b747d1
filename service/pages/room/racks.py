"""Places in words and as choices: every shelf and position, and off the racks."""

from collections.abc import Sequence
from datetime import datetime

import sqlalchemy as sa

from service.log.log_memory import LogMemory
from service.log.refusals import NotFound, Refusal
from service.log.schema import POSITION, RACK, SHELF
from service.models.room import NewPlacement, Placement
from service.pages.forms.filled import Choice
from service.pages.forms.tray_numbers import in_words, sentence
from service.room.rack_log import Rack, racks_as_they_stand
from service.runs.run_places import others_in_place

OFF_THE_RACKS = "off"


def choices(racks: Sequence[Rack]) -> tuple[Choice, ...]:
    """Every shelf, each followed by its positions, and off the racks."""
    found = []
    for rack in racks:
        for shelf in rack.shelves:
            name = f"{rack.name}, {shelf.name}"
            found.append(Choice(f"shelf:{shelf.id}", name))
            found += [
                Choice(f"position:{one.id}", f"{name}, position {one.name}")
                for one in shelf.positions
            ]
    return (*found, Choice(OFF_THE_RACKS, "off the racks"))


def place_choices(connection: sa.Connection) -> tuple[Choice, ...]:
    """The same of the room as it stands."""
    return _CHOICES.of(connection)


_CHOICES = LogMemory(
    (RACK, SHELF, POSITION), lambda connection, _before: choices(racks_as_they_stand(connection))
)


def words_of(connection: sa.Connection, shelf_id: int | None, position_id: int | None) -> str:
    """Where something stands, as `choices` says it."""
    value = chosen_value(shelf_id, position_id)
    return _WORDS.of(connection).get(value, "a shelf of before")


_WORDS = LogMemory(
    (RACK, SHELF, POSITION),
    lambda connection, _before: {one.value: one.words for one in place_choices(connection)},
)


def chosen_value(shelf_id: int | None, position_id: int | None) -> str:
    """The value of a place among the choices."""
    if position_id is not None:
        return f"position:{position_id}"
    return OFF_THE_RACKS if shelf_id is None else f"shelf:{shelf_id}"


def placements_from(
    racks: Sequence[Rack], value: str | None, trays: int, placed_at: str | None
) -> list[NewPlacement]:
    """What a choice means for a number of trays: from a position on they stand side by side.

    Where a shelf has no more positions they go on to the next ones of its rack, from the first
    position on.

    Raises
    ------
    Refusal
        If nothing was chosen, or the rack has too few positions from there on.
    NotFound
        If the room has no such place.
    """
    if value is None:
        raise Refusal("place", "must be chosen, got nothing")
    there: list[tuple[int | None, int | None]]
    if value == OFF_THE_RACKS:
        there = [(None, None)] * trays
    elif value in {f"shelf:{shelf.id}" for rack in racks for shelf in rack.shelves}:
        there = [(int(value.removeprefix("shelf:")), None)] * trays
    else:
        there = [*_positions_from(racks, value)[:trays]]
        if len(there) < trays:
            raise Refusal(
                "place",
                f"must have {trays} positions from there on in its rack, but has {len(there)}",
            )
    return [
        NewPlacement.model_validate(
            {"shelf_id": shelf, "position_id": position, "placed_at": placed_at}
        )
        for shelf, position in there
    ]


def _positions_from(racks: Sequence[Rack], value: str) -> list[tuple[int, int]]:
    """Shelf and position of a place and of all that follow it in its rack. Raises NotFound."""
    for rack in racks:
        there = [(shelf.id, one.id) for shelf in rack.shelves for one in shelf.positions]
        for index, (_, position) in enumerate(there):
            if value == f"position:{position}":
                return there[index:]
    raise NotFound("place", value)


def places_words(connection: sa.Connection, placed: Sequence[Placement]) -> str:
    """From where on trays stand on each shelf, such as "from Rack, Shelf 1, position 3"."""
    firsts = {one.shelf_id: one for one in reversed(placed)}
    words = [
        words_of(connection, one.shelf_id, one.position_id) for one in reversed(firsts.values())
    ]
    several = len(placed) > 1 and placed[0].position_id is not None
    return " and ".join(f"{'from' if several else 'now'} {one}" for one in words)


def also_there(connection: sa.Connection, placed: Sequence[Placement], *, now: datetime) -> str:
    """That other trays were written into the same positions; empty where none was."""
    others = others_in_place(connection, placed, now=now)
    if not others:
        return ""
    verb, them = ("was", "it") if len(others) == 1 else ("were", "them")
    return f" {sentence(in_words(tuple(others)))} {verb} written there too: swap, or move {them}."
