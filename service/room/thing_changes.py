"""Things of the log corrected and withdrawn, and the watchers told of the trays they concern."""

import sqlalchemy as sa

from service.context import Service
from service.log.entries import Entrant, history
from service.log.schema import HARVEST, RUN
from service.models.base import Change, Entered
from service.photos.ingest import tell_watchers
from service.room.resources import Resource
from service.room.room_log import one


def correct_thing(
    service: Service, resource: Resource, thing_id: int, change: Change, by: Entrant
) -> Entered:
    """Correct a thing. Raises NotFound, Conflict and Refusal."""
    with service.database.write() as connection:
        before = _trays(connection, resource, thing_id)
        out = resource.correct(connection, thing_id, change, by)
        after = _trays(connection, resource, thing_id)
    tell_watchers(service, before | after)
    return out


def withdraw_thing(
    service: Service, resource: Resource, thing_id: int, *, by: Entrant, why: str | None
) -> None:
    """Say that a thing never was. Raises NotFound and, while others refer to it, Conflict."""
    with service.database.write() as connection:
        trays = _trays(connection, resource, thing_id)
        resource.withdraw(connection, thing_id, by=by, why=why)
    tell_watchers(service, trays)


def _trays(connection: sa.Connection, resource: Resource, thing_id: int) -> set[int]:
    row = one(connection, resource.table, thing_id)
    if resource.table is HARVEST:
        return {tray_of_run(connection, row["run_id"])}
    return {row["tray_id"]} if row.get("tray_id") is not None else set()


def tray_of_run(connection: sa.Connection, run_id: int) -> int:
    """Id of the tray of a run, also of one that was withdrawn. Raises NotFound."""
    return int(history(connection, RUN, run_id)[-1]["tray_id"])
