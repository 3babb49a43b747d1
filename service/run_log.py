"""Runs: a tray from spreading to its end, and which run a moment belongs to."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import zip_longest
from typing import Any

import sqlalchemy as sa

from service.entries import current, history
from service.models.room import Room
from service.models.runs import EndReason, Run, Seed
from service.refusals import Conflict, NotFound, Refusal
from service.room_log import Row
from service.schema import HARVEST, RUN, RUN_SEED, SEED_LOT, TRAY

# A run that nobody ended says nothing of a photo taken long after it.
LONGEST_RUN = timedelta(days=60)
# Two taps on "started" are one start.
_ONE_START = timedelta(hours=1)


@dataclass(frozen=True)
class RunSpan:
    """One run of a tray as it lies in time.

    Parameters
    ----------
    row : mapping
        The run as it holds now.
    number : int
        Of the tray.
    ended_at : datetime or None
    reason : EndReason or None
    """

    row: Row
    number: int
    ended_at: datetime | None
    reason: EndReason | None

    @property
    def id(self) -> int:
        """The run's id."""
        return int(self.row["id"])

    @property
    def tray_id(self) -> int:
        """The tray's id."""
        return int(self.row["tray_id"])

    @property
    def spread_at(self) -> datetime:
        """When the seed was spread."""
        return self.row["spread_at"]  # type: ignore[no-any-return]

    @property
    def until(self) -> datetime:
        """Up to when a photo belongs to this run."""
        return self.ended_at or self.spread_at + LONGEST_RUN

    def holds(self, moment: datetime) -> bool:
        """Whether a moment lies in this run."""
        return self.spread_at <= moment < self.until


def run_spans(connection: sa.Connection, tray_id: int | None = None) -> list[RunSpan]:
    """Runs of one tray or of all, by tray and oldest first.

    A run without an end of its own ends where the tray's next one starts: whoever forgot to
    write the harvest down loses nothing.
    """
    runs, trays = current(RUN), current(TRAY)
    statement = (
        sa.select(runs, trays.c.number.label("tray_number"))
        .join(trays, trays.c.id == runs.c.tray_id)
        .order_by(runs.c.tray_id, runs.c.spread_at, runs.c.id)
    )
    if tray_id is not None:
        statement = statement.where(runs.c.tray_id == tray_id)
    rows = list(connection.execute(statement).mappings())
    ends = _ends(connection)
    spans = []
    for row, following in zip_longest(rows, rows[1:]):
        ended_at, reason = ends.get(row["id"], (None, None))
        if following is not None and following["tray_id"] == row["tray_id"]:
            next_start = following["spread_at"]
            if ended_at is None or ended_at > next_start:
                ended_at, reason = next_start, EndReason.NEXT_RUN
        spans.append(RunSpan(row, row["tray_number"], ended_at, reason))
    return spans


def run_spans_by_number(
    connection: sa.Connection,
) -> dict[int, tuple[tuple[datetime, datetime], ...]]:
    """(spread_at, until) of all runs, by tray number."""
    spans: dict[int, tuple[tuple[datetime, datetime], ...]] = {}
    for span in run_spans(connection):
        spans[span.number] = (*spans.get(span.number, ()), (span.spread_at, span.until))
    return spans


def span_of(connection: sa.Connection, run_id: int) -> RunSpan:
    """One run as it lies in time.

    Raises
    ------
    NotFound
        If there is no such run.
    """
    found = next((span for span in run_spans(connection) if span.id == run_id), None)
    if found is None:
        raise NotFound("run", run_id)
    return found


def present_run(spans: Sequence[RunSpan], now: datetime) -> RunSpan | None:
    """The run that is under way, or about to be: soaking, or spread from a date to come."""
    open_runs = [span for span in spans if span.ended_at is None or span.ended_at > now]
    return open_runs[-1] if open_runs else None


def bring_seed(connection: sa.Connection, run_entry_id: int, seed: Sequence[Seed]) -> None:
    """Say which seed one entry of a run holds."""
    lots = current(SEED_LOT)
    known = set(connection.execute(sa.select(lots.c.id)).scalars())
    for part in seed:
        if part.lot_id not in known:
            raise NotFound("lot_id", part.lot_id)
    if len({part.lot_id for part in seed}) < len(seed):
        raise Refusal("seed", "must name each lot once")
    for part in seed:
        row = {"run_entry_id": run_entry_id, "lot_id": part.lot_id, "weight_g": part.weight_g}
        connection.execute(sa.insert(RUN_SEED).values(row))


def check_run(
    connection: sa.Connection, values: dict[str, Any], *, run_id: int | None = None
) -> None:
    """Hold the rules of a run that is entered or corrected.

    Raises
    ------
    Refusal
        If it was soaked after it was spread, or ended before.
    Conflict
        If the tray has another run that starts within the hour.
    """
    spread_at, soaked_at = values["spread_at"], values["soaked_at"]
    if soaked_at is not None and soaked_at > spread_at:
        raise Refusal(
            "soaked_at",
            f"must not be later than spread_at, got {soaked_at:%Y-%m-%d %H:%M} UTC "
            f"and {spread_at:%Y-%m-%d %H:%M} UTC",
        )
    for other in run_spans(connection, values["tray_id"]):
        if other.id != run_id and abs(other.spread_at - spread_at) < _ONE_START:
            raise Conflict(
                "spread_at",
                f"must be an hour or more from run {other.id} of this tray, spread "
                f"{other.spread_at:%Y-%m-%d %H:%M} UTC; correct that run instead",
            )
    if run_id is not None:
        ended_at, _ = _ends(connection).get(run_id, (None, None))
        if ended_at is not None and ended_at < spread_at:
            raise Refusal(
                "spread_at", f"must not be later than the harvest at {ended_at:%Y-%m-%d %H:%M} UTC"
            )


def check_harvest(connection: sa.Connection, run_id: int, harvested_at: datetime) -> None:
    """Refuse a harvest before its run was spread."""
    span = span_of(connection, run_id)
    if harvested_at < span.spread_at:
        raise Refusal(
            "harvested_at",
            f"must not be earlier than spread_at {span.spread_at:%Y-%m-%d %H:%M} UTC, "
            f"got {harvested_at:%Y-%m-%d %H:%M} UTC",
        )


def run_out(connection: sa.Connection, span: RunSpan, *, room: Room, now: datetime) -> Run:
    """A run as the service gives it out."""
    row = span.row
    until = min(now, span.ended_at) if span.ended_at is not None else now
    soaked_at = row["soaked_at"]
    seed = seed_of(connection, row["entry_id"])
    own = {name: row[name] for name in Run.model_fields if name in row}
    return Run.model_validate(
        own
        | {
            "tray": span.number,
            "day_from_spread": _days(until - span.spread_at),
            "day_from_soak": None if soaked_at is None else _days(until - soaked_at),
            "seed": seed,
            "grain": grain_of(connection, seed, room),
            "target_shoot_height_mm": row["target_shoot_height_mm"] or room.target_shoot_height_mm,
            "target_day": row["target_day"] or room.target_day,
            "ended_at": span.ended_at,
            "ended_reason": span.reason,
            "harvest_weight_g": _harvest_weight(connection, span.id),
        }
    )


def seed_of(connection: sa.Connection, run_entry_id: int) -> list[Seed]:
    """Seed of one entry of a run, by lot."""
    statement = (
        sa.select(RUN_SEED.c.lot_id, RUN_SEED.c.weight_g)
        .where(RUN_SEED.c.run_entry_id == run_entry_id)
        .order_by(RUN_SEED.c.lot_id)
    )
    return [Seed.model_validate(dict(row)) for row in connection.execute(statement).mappings()]


def grain_of(connection: sa.Connection, seed: Sequence[Seed], room: Room) -> str:
    """Grain of a run: of its lots where all agree, else of the room."""
    lots = current(SEED_LOT)
    ids = [part.lot_id for part in seed]
    statement = sa.select(lots.c.grain).where(lots.c.id.in_(ids)).distinct()
    grains = list(connection.execute(statement).scalars()) if ids else []
    return str(grains[0]) if len(grains) == 1 else room.grain


def entry_seed(connection: sa.Connection, run_id: int) -> list[Seed]:
    """Seed of a run as it holds now."""
    return seed_of(connection, history(connection, RUN, run_id)[-1]["id"])


def _ends(connection: sa.Connection) -> dict[int, tuple[datetime, EndReason]]:
    now = current(HARVEST)
    statement = (
        sa.select(now.c.run_id, now.c.harvested_at, now.c.reason)
        .where(now.c.ends_run.is_(sa.true()))
        .order_by(now.c.harvested_at.desc())
    )
    return {
        row.run_id: (row.harvested_at, EndReason(row.reason))
        for row in connection.execute(statement)
    }


def _harvest_weight(connection: sa.Connection, run_id: int) -> float | None:
    now = current(HARVEST)
    statement = sa.select(sa.func.sum(now.c.weight_g)).where(now.c.run_id == run_id)
    total = connection.execute(statement).scalar()
    return None if total is None else float(total)


def _days(duration: timedelta) -> float:
    return round(duration.total_seconds() / 86400, 4)
