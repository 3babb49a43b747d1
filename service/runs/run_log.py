"""Runs: the seed that they hold, and how they are given out."""

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from service.log.entries import current, history
from service.log.log_memory import LogMemory, Seen
from service.log.refusals import NotFound, Refusal
from service.log.schema import RUN, RUN_SEED, SEED_LOT
from service.models.room import Room
from service.models.runs import Lot, Run, Seed
from service.runs.run_calendar import RunSpan
from service.runs.run_harvests import harvested_g, harvests_of_runs, thrown_g

# A database takes only so many numbers in one query.
_AT_ONCE = 500
_MOST_KEPT = 5000
# Names of a run that are columns of its row too.
_OWN = tuple(name for name in Run.model_fields if name in current(RUN).c)


def bring_seed(connection: sa.Connection, run_entry_id: int, seed: Sequence[Seed]) -> None:
    """Say which seed one entry of a run holds. Raises NotFound and Refusal."""
    known = lots_by_id(connection)
    for part in seed:
        if part.lot_id not in known:
            raise NotFound("lot_id", part.lot_id)
    if len({part.lot_id for part in seed}) < len(seed):
        raise Refusal("seed", "must name each lot once")
    keep_seed(connection, run_entry_id, seed)


def keep_seed(connection: sa.Connection, run_entry_id: int, seed: Sequence[Seed]) -> None:
    """Carry seed over to another entry of a run, also of a lot that was withdrawn since."""
    for part in seed:
        row = {"run_entry_id": run_entry_id, "lot_id": part.lot_id, "weight_g": part.weight_g}
        connection.execute(sa.insert(RUN_SEED).values(row))


def run_out(connection: sa.Connection, span: RunSpan, *, room: Room, now: datetime) -> Run:
    """A run as the service gives it out."""
    return runs_out(connection, [span], room=room, now=now)[0]


def runs_out(
    connection: sa.Connection, spans: Sequence[RunSpan], *, room: Room, now: datetime
) -> list[Run]:
    """Runs as the service gives them out, in the order of the spans."""
    parts = [spans[start : start + _AT_ONCE] for start in range(0, len(spans), _AT_ONCE)]
    return [out for part in parts for out in _part_out(connection, part, room=room, now=now)]


def _part_out(
    connection: sa.Connection, spans: Sequence[RunSpan], *, room: Room, now: datetime
) -> list[Run]:
    seed = seed_of_entries(connection, [span.row["entry_id"] for span in spans])
    grains = grains_of_lots(connection)
    harvests = harvests_of_runs(connection)
    outs = []
    for span in spans:
        parts = seed.get(span.row["entry_id"], [])
        known = {grains[part.lot_id] for part in parts if part.lot_id in grains}
        beside = {
            "seed": parts,
            "grain": grain_of(known, room),
            "harvest_weight_g": harvested_g(harvests.get(span.id, ())),
            "thrown_weight_g": thrown_g(harvests.get(span.id, ())),
        }
        outs.append(_run_out(span, beside, room=room, now=now))
    return outs


def _run_out(span: RunSpan, beside: dict[str, Any], *, room: Room, now: datetime) -> Run:
    row = span.row
    until = min(now, span.ended_at) if span.ended_at is not None else now
    soaked_at = row["soaked_at"]
    own = {name: row[name] for name in _OWN}
    times = {
        "day_from_spread": _days(until - span.spread_at),
        "day_from_soak": None if soaked_at is None else _days(until - soaked_at),
        "ended_at": span.ended_at,
        "ended_reason": span.reason,
    }
    target = {
        "target_shoot_height_mm": row["target_shoot_height_mm"] or room.target_shoot_height_mm,
        "target_day": row["target_day"] or room.target_day,
    }
    # Rows of the log and what follows from them hold to the model's rules already.
    return Run.model_construct(**{**own, "tray": span.number, **times, **target, **beside})


def seed_of_entries(
    connection: sa.Connection, run_entry_ids: Collection[int]
) -> dict[int, list[Seed]]:
    """Seed of entries of runs, by lot."""
    kept = _SEED.of(connection)
    missing = [entry for entry in run_entry_ids if entry not in kept]
    for start in range(0, len(missing), _AT_ONCE):
        kept.update(_read_seed(connection, missing[start : start + _AT_ONCE]))
    return {entry: list(kept[entry]) for entry in run_entry_ids if kept[entry]}


# Seed that was read, by entry of a run; none where an entry has none.
_Seeds = dict[int, tuple[Seed, ...]]


def _read_seed(connection: sa.Connection, run_entry_ids: Sequence[int]) -> _Seeds:
    statement = (
        sa.select(RUN_SEED)
        .where(RUN_SEED.c.run_entry_id.in_(run_entry_ids))
        .order_by(RUN_SEED.c.run_entry_id, RUN_SEED.c.lot_id)
    )
    seed: _Seeds = dict.fromkeys(run_entry_ids, ())
    for row in connection.execute(statement):
        part = Seed.model_construct(lot_id=row.lot_id, weight_g=row.weight_g)
        seed[row.run_entry_id] = (*seed[row.run_entry_id], part)
    return seed


def _renewed(_connection: sa.Connection, before: tuple[_Seeds, Seen] | None) -> _Seeds:
    # An entry and its seed come together and never change. Copied, since what a writer adds to
    # it may be taken back.
    return {} if before is None or len(before[0]) > _MOST_KEPT else before[0].copy()


_SEED = LogMemory((RUN,), _renewed)


def seed_of(connection: sa.Connection, run_entry_id: int) -> list[Seed]:
    """Seed of one entry of a run, by lot."""
    return seed_of_entries(connection, [run_entry_id]).get(run_entry_id, [])


def lots_by_id(connection: sa.Connection) -> Mapping[int, Lot]:
    """All lots by id, in the order in which they were entered; a withdrawn lot is none."""
    return _LOTS.of(connection)


def _read_lots(connection: sa.Connection, _before: object) -> dict[int, Lot]:
    lots = current(SEED_LOT)
    rows = connection.execute(sa.select(lots).order_by(lots.c.id)).mappings()
    return {
        row["id"]: Lot.model_validate({name: row[name] for name in Lot.model_fields})
        for row in rows
    }


_LOTS = LogMemory((SEED_LOT,), _read_lots)


def grains_of_lots(connection: sa.Connection) -> Mapping[int, str]:
    """Grains of all lots by id; a withdrawn lot has none. The same object while they hold."""
    return _GRAINS.of(connection)


def _read_grains(connection: sa.Connection, _before: object) -> dict[int, str]:
    return {lot.id: lot.grain for lot in lots_by_id(connection).values()}


_GRAINS = LogMemory((SEED_LOT,), _read_grains)


def lot_names(connection: sa.Connection) -> Mapping[int, str]:
    """Names of all lots by id; a withdrawn lot has none."""
    return _LOT_NAMES.of(connection)


def _read_lot_names(connection: sa.Connection, _before: object) -> dict[int, str]:
    return {lot.id: lot.name for lot in lots_by_id(connection).values()}


_LOT_NAMES = LogMemory((SEED_LOT,), _read_lot_names)


def grain_of(grains: Collection[str], room: Room) -> str:
    """Grain of a run: of its lots where all agree, else of the room."""
    return next(iter(grains)) if len(grains) == 1 else room.grain


def entry_seed(connection: sa.Connection, run_id: int) -> list[Seed]:
    """Seed of a run as it holds now."""
    return seed_of(connection, history(connection, RUN, run_id)[-1]["id"])


def _days(duration: timedelta) -> float:
    return round(duration.total_seconds() / 86400, 4)
