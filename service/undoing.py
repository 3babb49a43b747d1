"""Undo: what was entered is withdrawn, what was corrected is put back; both stay in the history."""

from collections.abc import Callable, Mapping, Sequence
from typing import Final

import sqlalchemy as sa

from service.camera_things import CAMERAS
from service.context import Service
from service.entries import Entrant, history, take_back
from service.ingest import photo_trays, tell_watchers
from service.notification_targets import TARGETS
from service.outside_schema import NOTIFICATION_TARGET
from service.people import take_back_person
from service.photo_changes import measure_again
from service.refusals import Conflict, NotAllowed, NotFound
from service.room_figures import take_back_room
from service.room_log import Row, one
from service.run_calendar import run_calendar
from service.run_log import bring_seed, seed_of
from service.schema import CAMERA, CORRECTABLE, HARVEST, PERSON, ROOM, RUN, TRAY_CORNERS

# What the owner alone enters, and takes back.
_OWNERS: Final[Mapping[sa.Table, Callable[[sa.Connection, int, Entrant], int]]] = {
    ROOM: take_back_room,
    PERSON: take_back_person,
    CAMERA: CAMERAS.take_back,
    NOTIFICATION_TARGET: TARGETS.take_back,
}
_UNDOABLE: Final[Mapping[str, sa.Table]] = {
    **{table.name: table for table in _OWNERS},
    **{
        name: CORRECTABLE[name]
        for name in (
            "run harvest placement tray_state tray flag_event reading chore rack shelf position "
            "seed_lot capture assignment tray_corners"
        ).split()
    },
}


def undo(
    service: Service, entries: Sequence[tuple[str, int]], by: Entrant, *, may_own: bool
) -> None:
    """Take back what one action entered, its last entry first, all or nothing.

    Parameters
    ----------
    service : Service
    entries : sequence of (str, int)
        Kind and row, in the order in which they were entered.
    by : Entrant
    may_own : bool
        Whether whoever asks may enter what is the owner's alone.

    Raises
    ------
    NotAllowed
        If something is the owner's alone to take back.
    NotFound
        If there is no such row, or its kind cannot be undone.
    Conflict
        If something else was entered for it since.
    """
    trays: set[int] = set()
    photos: set[int] = set()
    with service.database.write() as connection:
        for kind, entry_id in reversed(entries):
            table = _UNDOABLE.get(kind)
            if table is None:
                raise NotFound("entry", f"{kind}:{entry_id}")
            if table in _OWNERS and not may_own:
                raise NotAllowed(kind, "is the owner's to take back")
            row = _take_back(connection, table, entry_id, by)
            trays |= _trays_of(connection, kind, row)
            photos |= {row["photo_id"]} if "photo_id" in row else set()
        trays = run_calendar(connection).with_parts(trays)
    for kind, entry_id in entries:
        if kind == TRAY_CORNERS.name:
            _measure_again(service, entry_id, by)
    tell_watchers(service, trays.union(*(photo_trays(service, one) for one in photos)))


def _measure_again(service: Service, entry_id: int, by: Entrant) -> None:
    """Measure the photo again whose corners were taken back."""
    with service.database.read() as connection:
        rows = sa.select(TRAY_CORNERS.c.photo_id).where(TRAY_CORNERS.c.id == entry_id)
        photo_id = connection.execute(rows).scalar_one()
    measure_again(service, photo_id, by)


def _take_back(connection: sa.Connection, table: sa.Table, entry_id: int, by: Entrant) -> Row:
    """Take a row back; returns it as it was."""
    row = connection.execute(sa.select(table).where(table.c.id == entry_id)).mappings().first()
    if row is None:
        raise NotFound(table.name, entry_id)
    thing_id = row["original_id"] or row["id"]
    if history(connection, table, thing_id)[-1]["id"] != entry_id:
        raise Conflict(table.name, f"{thing_id} was corrected since, so this cannot be undone")
    if table in _OWNERS:
        _OWNERS[table](connection, thing_id, by)
        return row
    new_entry = take_back(connection, table, thing_id, by=by)
    if table is RUN and row["replaces_id"] is not None:
        bring_seed(connection, new_entry, seed_of(connection, row["replaces_id"]))
    return row


def _trays_of(connection: sa.Connection, kind: str, row: Row) -> set[int]:
    if kind == HARVEST.name:
        return {_tray_of_run(connection, row["run_id"])}
    return {row["tray_id"]} if row.get("tray_id") is not None else set()


def _tray_of_run(connection: sa.Connection, run_id: int) -> int:
    return int(one(connection, RUN, run_id)["tray_id"])
