"""Names of people and things by their numbers, as a report says them."""

from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from service.entries import current
from service.log_memory import LogMemory
from service.models.runs import Lot
from service.room_log import shelf_names, trays_by_number
from service.schema import PERSON, SEED_LOT


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

    people: dict[int, str]
    lots: Mapping[int, Lot]
    trays: dict[int, int]
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
    people = current(PERSON)
    return Names(
        people={row.id: row.name for row in connection.execute(sa.select(people))},
        lots=_LOTS.of(connection),
        trays={row["id"]: number for number, row in trays_by_number(connection).items()},
        shelves=shelf_names(connection),
    )


def _read_lots(connection: sa.Connection, _before: object) -> dict[int, Lot]:
    lots = current(SEED_LOT)
    rows = connection.execute(sa.select(lots).order_by(lots.c.id)).mappings()
    return {
        row["id"]: Lot.model_validate({name: row[name] for name in Lot.model_fields})
        for row in rows
    }


_LOTS = LogMemory((SEED_LOT,), _read_lots)
