"""Commands on runs: started, corrected, withdrawn; what follows is worked out again."""

from typing import Any

import sqlalchemy as sa

from service.context import Service
from service.entries import Entrant, correct, enter, withdraw
from service.ingest import tell_watchers
from service.models.room import Room
from service.models.runs import NewRun, Run, RunChange
from service.refusals import Refusal
from service.room_log import in_utc, the_room, tray_or_new
from service.run_calendar import span_of
from service.run_log import bring_seed, check_run, entry_seed, run_out
from service.schema import RUN

_MOMENTS = ("spread_at", "soaked_at")


def new_run(service: Service, new: NewRun, by: Entrant) -> Run:
    """Start a run. Raises Refusal, Conflict and, for an unknown lot, NotFound."""
    with service.database.write() as connection:
        span = span_of(connection, enter_run(connection, new, by))
        out = run_out(connection, span, room=the_room(connection), now=by.at)
    tell_watchers(service, [span.tray_id])
    return out


def enter_run(connection: sa.Connection, new: NewRun, by: Entrant) -> int:
    """Start a run within a larger change; returns its id. Raises like `new_run`."""
    values = _columns(new.model_dump(exclude={"tray", "seed"}), the_room(connection))
    values["tray_id"] = tray_or_new(connection, new.tray, by)
    values["spread_at"] = values["spread_at"] or by.at
    check_run(connection, values)
    run_id = enter(connection, RUN, values, by)
    bring_seed(connection, run_id, new.seed)
    return run_id


def correct_run(service: Service, run_id: int, change: RunChange, by: Entrant) -> Run:
    """Correct a run. Raises Refusal, Conflict and NotFound."""
    given = change.model_dump(exclude_unset=True, exclude={"why", "tray", "seed"})
    with service.database.write() as connection:
        room = the_room(connection)
        span = span_of(connection, run_id)
        values = _columns(given, room)
        if "spread_at" in values and values["spread_at"] is None:
            raise Refusal("spread_at", "must have a value, got null")
        if change.tray is not None:
            values["tray_id"] = tray_or_new(connection, change.tray, by)
        check_run(connection, {**span.row, **values}, run_id=run_id)
        seed = entry_seed(connection, run_id) if change.seed is None else change.seed
        entry_id = correct(connection, RUN, run_id, values, by=by, why=change.why)
        bring_seed(connection, entry_id, seed)
        after = span_of(connection, run_id)
        out = run_out(connection, after, room=room, now=by.at)
    tell_watchers(service, {span.tray_id, after.tray_id})
    return out


def withdraw_run(service: Service, run_id: int, *, by: Entrant, why: str | None) -> None:
    """Say that a run never was. Raises NotFound."""
    with service.database.write() as connection:
        tray_id = span_of(connection, run_id).tray_id
        withdraw(connection, RUN, run_id, by=by, why=why)
    tell_watchers(service, [tray_id])


def _columns(given: dict[str, Any], room: Room) -> dict[str, Any]:
    return {
        name: in_utc(value, room) if name in _MOMENTS and value is not None else value
        for name, value in given.items()
    }
