"""Undo: what was entered is withdrawn, what was corrected is put back; both stay in the history."""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any, Final

import sqlalchemy as sa

from service.accounts.people import take_back_person
from service.cameras.camera_things import CAMERAS
from service.context import Service
from service.log.entries import Entrant, Values, before_last, history, take_back
from service.log.outside_schema import NOTIFICATION_TARGET
from service.log.refusals import Conflict, NotAllowed, NotFound
from service.log.schema import (
    ASSIGNMENT,
    CAMERA,
    CAPTURE,
    FLAG_EVENT,
    HARVEST,
    PERSON,
    ROOM,
    RUN,
    TRAY_CORNERS,
)
from service.messages.notification_targets import TARGETS
from service.photos.ingest import keep_pictures, photo_trays, tell_watchers
from service.photos.photo_changes import MeasuredAgain, enter_measured, measure_as_marked
from service.room import things
from service.room.marked_corners import marked_in
from service.room.resources import check_references
from service.room.room_figures import take_back_room
from service.room.thing_changes import tray_of_run
from service.runs.run_calendar import run_calendar
from service.runs.run_changes import take_back_run

# What the owner alone enters, and takes back.
_OWNERS: Final[Mapping[sa.Table, Callable[[sa.Connection, int, Entrant], int]]] = {
    ROOM: take_back_room,
    PERSON: take_back_person,
    CAMERA: CAMERAS.take_back,
    NOTIFICATION_TARGET: TARGETS.take_back,
}
# Where the rules of entering and correcting hold for what an undo brings back as well.
_HELD_TO_RULES: Final[Mapping[sa.Table, Callable[[sa.Connection, int, Entrant], int]]] = {
    RUN: take_back_run,
    **{
        resource.table: resource.take_back
        for resource in (
            things.RACKS,
            things.SHELVES,
            things.POSITIONS,
            things.TRAYS,
            things.TRAY_STATES,
            things.PLACEMENTS,
            things.LOTS,
            things.HARVESTS,
            things.READINGS,
            things.CHORES,
        )
    },
}
_TAKEN_BACK: Final = {**_OWNERS, **_HELD_TO_RULES}
_UNDOABLE: Final[Mapping[str, sa.Table]] = {
    **{table.name: table for table in _TAKEN_BACK},
    **{table.name: table for table in (FLAG_EVENT, CAPTURE, ASSIGNMENT, TRAY_CORNERS)},
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
        If something else was entered for it since, or others refer to it; also if a photo would
        have to be measured again whose original was let go.
    Busy
        If a photo is to be measured again while too many others wait.
    Refusal
        If what was before breaks a rule that holds for entering it anew.
    """
    # Before anything is written: measuring may fail, and corners never part from their measures.
    measured = [
        _measured_as_before(service, entry_id)
        for kind, entry_id in entries
        if kind == TRAY_CORNERS.name
    ]
    photos = {one.photo_id for one in measured}
    trays: set[int] = set().union(*(photo_trays(service, one) for one in photos))
    for one in measured:
        keep_pictures(service, one.digest, one.inspected)
    with service.database.write() as connection:
        for kind, entry_id in reversed(entries):
            table = _UNDOABLE.get(kind)
            if table is None:
                raise NotFound("entry", f"{kind}:{entry_id}")
            if table in _OWNERS and not may_own:
                raise NotAllowed(kind, "is the owner's to take back")
            for row in _take_back(connection, table, entry_id, by):
                trays |= _trays_of(connection, kind, row)
                photos |= {row["photo_id"]} if "photo_id" in row else set()
        for one in measured:
            enter_measured(connection, one, by)
        trays = run_calendar(connection).with_parts(trays)
    tell_watchers(service, trays.union(*(photo_trays(service, one) for one in photos)))


def _measured_as_before(service: Service, entry_id: int) -> MeasuredAgain:
    """A photo as it measures once some of its corners are taken back."""
    with service.database.read() as connection:
        rows = _said_last(connection, TRAY_CORNERS, entry_id)
        before = before_last(rows)
        marked = None if before is None or before["withdrawn"] else marked_in(connection, before)
    return measure_as_marked(service, rows[-1]["photo_id"], marked)


def _take_back(
    connection: sa.Connection, table: sa.Table, entry_id: int, by: Entrant
) -> tuple[Values, Values]:
    """Take a row back; returns it, and the row that stands beside it now."""
    row = _said_last(connection, table, entry_id)[-1]
    thing_id = row["original_id"] or row["id"]
    _TAKEN_BACK.get(table, partial(_take_back_plainly, table))(connection, thing_id, by)
    return row, history(connection, table, thing_id)[-1]


def _said_last(connection: sa.Connection, table: sa.Table, entry_id: int) -> list[dict[str, Any]]:
    """The history of a thing of which an entry is the last. Raises NotFound, Conflict."""
    row = connection.execute(sa.select(table).where(table.c.id == entry_id)).mappings().first()
    if row is None:
        raise NotFound(table.name, entry_id)
    thing_id = row["original_id"] or row["id"]
    rows = history(connection, table, thing_id)
    if rows[-1]["id"] != entry_id:
        raise Conflict(table.name, f"{thing_id} was corrected since, so this cannot be undone")
    return rows


def _take_back_plainly(
    table: sa.Table, connection: sa.Connection, thing_id: int, by: Entrant
) -> int:
    entry_id = take_back(connection, table, thing_id, by=by)
    now = history(connection, table, thing_id)[-1]
    if not now["withdrawn"]:
        check_references(connection, table, now)
    return entry_id


def _trays_of(connection: sa.Connection, kind: str, row: Values) -> set[int]:
    if kind == HARVEST.name:
        # It may have been said of another tray before.
        rows = history(connection, HARVEST, row["original_id"] or row["id"])
        return {tray_of_run(connection, run_id) for run_id in {one["run_id"] for one in rows}}
    return {row["tray_id"]} if row.get("tray_id") is not None else set()
