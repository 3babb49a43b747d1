"""Flags as they follow from the log's rows; what still stands is kept between answers."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from typing import Any, Final

import sqlalchemy as sa

from service.log.entries import current
from service.log.log_memory import LogMemory, Seen, news
from service.log.schema import FLAG, FLAG_EVENT, TRAY
from service.models.flags import FlagOut, FlagState
from service.room.room_log import Row
from trayvision.attention.flags import FlagKind

ANSWERS: Final = ("snoozed", "done", "verdict")
# Nothing follows these in a flag's life; the same cause opens another one.
_SETTLED: Final = {"done": FlagState.DONE, "verdict": FlagState.DONE, "gone": FlagState.GONE}
# A database takes only so many numbers in one query.
_AT_ONCE: Final = 500
_MOST_KEPT: Final = 1000
# Before anything was put off to any moment.
_BEFORE_ALL: Final = datetime(1900, 1, 1, tzinfo=UTC)


def unsettled(connection: sa.Connection) -> frozenset[int]:
    """Ids of the flags that are open or snoozed."""
    return _LAST_EVENTS.of(connection).unsettled


def standing_flags(connection: sa.Connection, now: datetime) -> list[FlagOut]:
    """Flags that are open or snoozed, by id, as they stand at a moment."""
    kept = _STANDING.of(connection)
    return [_woken(kept[flag_id], now) for flag_id in sorted(kept)]


def settled_flags(
    connection: sa.Connection, state: FlagState, now: datetime, *, limit: int | None = None
) -> list[FlagOut]:
    """Flags that are done or gone, by id; with a `limit` the last so many that were opened."""
    asked = _LAST_EVENTS.of(connection).settled[state]
    if limit is None:
        return _flags_of_ids(connection, asked, now)
    kept, last = _SETTLED_FLAGS.of(connection), asked[-limit:]
    fresh = _flags_of_ids(connection, [flag for flag in last if flag not in kept], now)
    kept.update({flag.id: flag for flag in fresh})
    return [kept[flag] for flag in last if flag in kept]


def _woken(flag: FlagOut, now: datetime) -> FlagOut:
    """A flag as it was put off, open again where that time is over."""
    if flag.snoozed_until is None or flag.snoozed_until > now:
        return flag
    return flag.model_copy(update={"state": FlagState.OPEN, "snoozed_until": None})


@dataclass(frozen=True)
class _LastEvents:
    """What was last said of each flag, and the flags that this does not settle."""

    kinds: Mapping[int, str]
    unsettled: frozenset[int]

    @cached_property
    def settled(self) -> dict[FlagState, list[int]]:
        """Ids of those that are done and gone, in order."""
        found: dict[FlagState, list[int]] = {state: [] for state in _SETTLED.values()}
        for flag in sorted(self.kinds):
            state = _SETTLED.get(self.kinds[flag])
            if state is not None:
                found[state].append(flag)
        return found


def _renewed(connection: sa.Connection, before: tuple[_LastEvents, Seen] | None) -> _LastEvents:
    events = current(FLAG_EVENT)
    statement = sa.select(events.c.flag_id, events.c.kind).order_by(events.c.id)
    kinds: dict[int, str] = {}
    unsettled: frozenset[int] = frozenset()
    if before is not None:
        concerned: set[int] = news(connection, FLAG_EVENT, before[1], FLAG_EVENT.c.flag_id)
        kinds, unsettled = {**before[0].kinds}, before[0].unsettled - concerned
        for flag in concerned:
            kinds.pop(flag, None)
        statement = statement.where(events.c.flag_id.in_(concerned))
    told = {row.flag_id: row.kind for row in connection.execute(statement)}
    new = (flag for flag, kind in told.items() if kind not in _SETTLED)
    return _LastEvents({**kinds, **told}, unsettled.union(new))


_LAST_EVENTS = LogMemory((FLAG_EVENT,), _renewed)


_Standing = Mapping[int, FlagOut]


def _standing(connection: sa.Connection, before: tuple[_Standing, Seen] | None) -> _Standing:
    asked: Collection[int] = unsettled(connection)
    kept: _Standing = {}
    if before is not None and not news(connection, TRAY, before[1], TRAY.c.id):
        concerned: set[int] = news(connection, FLAG_EVENT, before[1], FLAG_EVENT.c.flag_id)
        kept = {
            flag: out for flag, out in before[0].items() if flag in asked and flag not in concerned
        }
    fresh = _flags_of_ids(connection, sorted(set(asked) - set(kept)), _BEFORE_ALL)
    return {**kept, **{flag.id: flag for flag in fresh}}


# A flag is entered together with its first event.
_STANDING = LogMemory((FLAG_EVENT, TRAY), _standing)


def _settled(
    connection: sa.Connection, before: tuple[dict[int, FlagOut], Seen] | None
) -> dict[int, FlagOut]:
    """What was kept of settled flags that were asked for, without those of which there is news."""
    if before is None or len(before[0]) > _MOST_KEPT:
        return {}
    kept, seen = before
    if news(connection, TRAY, seen, TRAY.c.id):
        return {}
    concerned: set[int] = news(connection, FLAG_EVENT, seen, FLAG_EVENT.c.flag_id)
    # Copied at once, since others may add to it meanwhile.
    return {flag: out for flag, out in kept.copy().items() if flag not in concerned}


_SETTLED_FLAGS = LogMemory((FLAG_EVENT, TRAY), _settled)


def _flags_of_ids(connection: sa.Connection, ids: Sequence[int], now: datetime) -> list[FlagOut]:
    parts = [ids[start : start + _AT_ONCE] for start in range(0, len(ids), _AT_ONCE)]
    return [flag for part in parts for flag in flags_where(connection, FLAG.c.id.in_(part), now)]


def flags_where(
    connection: sa.Connection, condition: sa.ColumnElement[bool], now: datetime
) -> list[FlagOut]:
    """Flags of which a condition on the table `flag` holds, by id, as they stand at a moment."""
    trays, events = current(TRAY), current(FLAG_EVENT)
    statement = (
        sa.select(FLAG, trays.c.number)
        .join(trays, trays.c.id == FLAG.c.tray_id, isouter=True)
        .where(condition)
        .order_by(FLAG.c.id)
    )
    rows = list(connection.execute(statement).mappings())
    told = (
        sa.select(events)
        .where(events.c.flag_id.in_([row["id"] for row in rows]))
        .order_by(events.c.id)
    )
    by_flag: dict[int, list[Row]] = {}
    for event in connection.execute(told).mappings():
        by_flag.setdefault(event["flag_id"], []).append(event)
    return [_flag_out(row, by_flag[row["id"]], now) for row in rows if row["id"] in by_flag]


def _flag_out(row: Row, events: list[Row], now: datetime) -> FlagOut:
    noticed = [event for event in events if event["kind"] == "noticed"][-1]
    state, snoozed_until = FlagState.OPEN, None
    for event in events:
        if event["kind"] == "snoozed":
            state, snoozed_until = FlagState.SNOOZED, event["until_at"]
        elif event["kind"] != "noticed":
            state = _SETTLED.get(event["kind"], FlagState.OPEN)
    if state is FlagState.SNOOZED and snoozed_until is not None and snoozed_until <= now:
        state = FlagState.OPEN
    verdict = [event["verdict"] for event in events if event["verdict"] is not None]
    answers = [event["at"] for event in events if event["kind"] in ANSWERS]
    evidence = noticed["evidence"] or {}
    trays = evidence.get("trays", [] if row["number"] is None else [row["number"]])
    return FlagOut(
        id=row["id"],
        kind=row["kind"],
        state=state,
        level=noticed["level"],
        urgency=noticed["urgency"],
        tray=trays[0] if len(trays) == 1 else None,
        shelf_id=row["shelf_id"],
        run_id=row["run_id"],
        lot_id=row["lot_id"],
        trays=trays,
        since=_since(row, evidence),
        opened_at=row["opened_at"],
        noticed_at=noticed["at"],
        reason=noticed["reason"],
        look=noticed["look"],
        evidence=evidence,
        now=_picture(row["id"], evidence, "now"),
        before=_picture(row["id"], evidence, "before"),
        snoozed_until=snoozed_until if state is FlagState.SNOOZED else None,
        verdict=verdict[-1] if verdict else None,
        answered_at=answers[-1] if answers else None,
        gone_at=events[-1]["at"] if state is FlagState.GONE else None,
    )


def _since(row: Row, evidence: dict[str, Any]) -> datetime:
    """When it began.

    A late photo may show that it began earlier than was known when the flag was opened. Of possible
    mould the photos that tell change from day to day: what stood open since is not since today.
    """
    told = evidence.get("since")
    since: datetime = row["since"] if told is None else datetime.fromisoformat(told)
    return min(since, row["since"]) if row["kind"] == FlagKind.POSSIBLE_MOULD else since


def _picture(flag_id: int, evidence: dict[str, Any], role: str) -> str | None:
    places = evidence.get("places", [])
    known = bool(places) and places[0][role] is not None
    return f"/api/flags/{flag_id}/evidence/{role}.jpg" if known else None
