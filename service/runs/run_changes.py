"""Commands on runs: started, corrected, withdrawn; what follows is worked out again."""

from collections.abc import Sequence
from typing import Any, Final

import sqlalchemy as sa

from service.context import Service
from service.log.entries import (
    Entrant,
    before_last,
    correct,
    enter,
    history,
    take_back,
    withdraw,
)
from service.log.refusals import Conflict, Refusal
from service.log.schema import RUN
from service.models.room import Room
from service.models.runs import NewRun, Run, RunChange, Seed
from service.photos.ingest import tell_watchers
from service.room.resources import check_references, users_of
from service.room.room_log import the_room, told_moment, tray_or_new
from service.runs.run_calendar import RunSpan, run_calendar, span_of
from service.runs.run_log import bring_seed, entry_seed, keep_seed, run_out, seed_of
from service.runs.run_places import source_of
from service.runs.run_rules import check_run

_MOMENTS = ("spread_at", "soaked_at")
# Where and when a run lies: what else is corrected meets no other run.
_LIES = (*_MOMENTS, "tray_id")
_WRITTEN_OF_A_RUN: Final = {RUN.name: "a part of it in another tray"}


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
    check_run(connection, values, now=by.at)
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
        _refuse_age_of_a_part(connection, span, values)
        if "spread_at" in values and values["spread_at"] is None:
            raise Refusal("spread_at", "must have a value, got null")
        if change.tray is not None:
            values["tray_id"] = tray_or_new(connection, change.tray, by)
        if any(values.get(name, span.row[name]) != span.row[name] for name in _LIES):
            check_run(connection, {**span.row, **values}, now=by.at, run_id=run_id)
        kept = entry_seed(connection, run_id)
        entry_id = correct(connection, RUN, run_id, values, by=by, why=change.why)
        if change.seed is None:
            keep_seed(connection, entry_id, kept)
        else:
            bring_seed(connection, entry_id, change.seed)
        after = span_of(connection, run_id)
        out = run_out(connection, after, room=room, now=by.at)
        trays = run_calendar(connection).with_parts({span.tray_id, after.tray_id})
    tell_watchers(service, trays)
    return out


def withdraw_run(service: Service, run_id: int, *, by: Entrant, why: str | None) -> tuple[int, ...]:
    """Say that a run never was; a part of a tray gives its seed back to where it was taken from.

    Returns
    -------
    tuple of int
        The entries of runs that were made, in order: an undo takes all of them back.

    Raises
    ------
    NotFound
        If there is no such run.
    Conflict
        While more was written of it.
    """
    with service.database.write() as connection:
        span = span_of(connection, run_id)
        _refuse_used(connection, run_id)
        given_back = _give_back_seed(connection, span, by)
        seed = entry_seed(connection, run_id)
        withdrawn = withdraw(connection, RUN, run_id, by=by, why=why)
        keep_seed(connection, withdrawn, seed)
    tell_watchers(service, {span.tray_id, *given_back.values()})
    return *given_back, withdrawn


def take_back_run(connection: sa.Connection, run_id: int, by: Entrant) -> int:
    """Undo what was said last of a run; returns the id of the new row.

    Raises
    ------
    NotFound
        If it, its tray or a lot of its seed is not in the log.
    Refusal
        If what was before no longer fits the rest of the log.
    Conflict
        If it would be withdrawn while something was written of it, or another run of its tray
        starts within the hour.
    """
    before = before_last(history(connection, RUN, run_id))
    withdraws = before is None or before["withdrawn"]
    if withdraws:
        _refuse_used(connection, run_id)
    seed = entry_seed(connection, run_id) if before is None else seed_of(connection, before["id"])
    entry_id = take_back(connection, RUN, run_id, by=by)
    if withdraws:
        keep_seed(connection, entry_id, seed)
        return entry_id
    bring_seed(connection, entry_id, seed)
    check_references(connection, RUN, history(connection, RUN, run_id)[-1])
    check_run(connection, dict(span_of(connection, run_id).row), now=by.at, run_id=run_id)
    return entry_id


def _refuse_used(connection: sa.Connection, run_id: int) -> None:
    """Refuse to withdraw a run of which more was written. Raises Conflict."""
    users = sorted(users_of(connection, RUN, run_id))
    if users:
        what = " and ".join(_WRITTEN_OF_A_RUN.get(one, f"a {one}") for one in users)
        raise Conflict("run", f"{run_id} still has {what}: withdraw that first")


def _give_back_seed(connection: sa.Connection, part: RunSpan, by: Entrant) -> dict[int, int]:
    """Put the seed of a part that never was back to where it was taken from: trays by entry."""
    source = source_of(run_calendar(connection), part)
    if source is None:
        return {}
    seed = _together(entry_seed(connection, source.id), entry_seed(connection, part.id))
    why = f"the part in tray {part.number} was withdrawn"
    entry_id = correct(connection, RUN, source.id, {}, by=by, why=why)
    keep_seed(connection, entry_id, seed)
    return {entry_id: source.tray_id}


def _together(first: Sequence[Seed], second: Sequence[Seed]) -> list[Seed]:
    """Seed of two by lot; not weighed where it was not in one of them."""
    weights = {one.lot_id: one.weight_g for one in first}
    for one in second:
        before, more = weights.get(one.lot_id, 0.0), one.weight_g
        weights[one.lot_id] = None if before is None or more is None else round(before + more, 3)
    return [Seed(lot_id=lot, weight_g=weight) for lot, weight in weights.items()]


def _refuse_age_of_a_part(connection: sa.Connection, span: RunSpan, values: dict[str, Any]) -> None:
    """A part is as old as the run that it is of. Raises Refusal."""
    whole = run_calendar(connection).by_id.get(span.split_from_id or 0)
    for name in _MOMENTS:
        if whole is not None and name in values and values[name] != span.row[name]:
            raise Refusal(
                name,
                f"must be corrected at run {whole.id} of tray {whole.number}, of which this is a "
                "part",
            )


def _columns(given: dict[str, Any], room: Room) -> dict[str, Any]:
    return {
        name: told_moment(name, value, room) if name in _MOMENTS and value is not None else value
        for name, value in given.items()
    }
