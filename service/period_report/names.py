"""Names of people and things by their numbers, as a report says them."""

from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from service.accounts.people import people_names
from service.models.runs import Lot
from service.room.room_log import numbers_of_trays, shelf_names
from service.runs.run_log import lots_by_id


@dataclass(frozen=True)
class Names:
    """What stands for numbers.

    Parameters
    ----------
    people : mapping of person id to name
    lots : mapping of lot id to Lot
    trays : mapping of tray id to number
    shelves : mapping of shelf id to name
    """

    people: Mapping[int, str]
    lots: Mapping[int, Lot]
    trays: Mapping[int, int]
    shelves: Mapping[int, str]

    def person(self, person_id: int | None) -> str:
        """Who it was; a room without log-ins does not know."""
        return "nobody logged in" if person_id is None else self.people.get(person_id, "somebody")

    def lot(self, lot_id: int) -> str:
        """A lot's name."""
        lot = self.lots.get(lot_id)
        return f"lot {lot_id} (withdrawn)" if lot is None else lot.name

    def place(self, tray_id: int | None, shelf_id: int | None) -> str:
        """A tray, a shelf, both, or the room."""
        tray = "" if tray_id is None else f"tray {self.trays.get(tray_id, '?')}"
        shelf = "" if shelf_id is None else self.shelves.get(shelf_id, "a shelf")
        return ", ".join(filter(None, (tray, shelf))) or "the room"


def names_of(connection: sa.Connection) -> Names:
    """All names of a log."""
    return Names(
        people=people_names(connection),
        lots=lots_by_id(connection),
        trays=numbers_of_trays(connection),
        shelves=shelf_names(connection),
    )
