"""Flags as the log keeps them: one cause one flag, and all that people answered."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from service.entries import Entrant, current, enter
from service.log_memory import LogMemory, Seen, news
from service.models.flags import FlagOut, FlagState, Verdict
from service.refusals import NotFound
from service.room_log import Row
from service.schema import FLAG, FLAG_EVENT, TRAY

ANSWERS = ("snoozed", "done", "verdict")
# Nothing follows these in a flag's life; the same cause opens another one.
_SETTLED = {"done": FlagState.DONE, "verdict": FlagState.DONE, "gone": FlagState.GONE}
# A database takes only so many numbers in one query.
_AT_ONCE = 500


@dataclass(frozen=True)
class Notice:
    """A reason to look, as worked out from the log.

    Parameters
    ----------
    cause : str
        Key of the cause, such as ``"mould:tray 17:run 4"``: one open flag for each.
    kind : str
        Such as ``"mould"``, ``"behind"``, ``"no photo"``.
    level : str
        In the grower's words, such as ``"look"`` or ``"hold"``.
    urgency : float
        Larger is more urgent.
    since, at : aware datetime
        When it began; when it was noticed, the moment of the photo or reading.
    reason, look : str
        Why, and what to look at or do.
    evidence : dict
        JSON-ready.
    """

    cause: str
    kind: str
    level: str
    urgency: float
    since: datetime
    at: datetime
    reason: str
    look: str
    evidence: dict[str, Any] = field(default_factory=dict)
    tray_id: int | None = None
    shelf_id: int | None = None
    run_id: int | None = None
    lot_id: int | None = None


def notice(
    connection: sa.Connection, new: Notice, by: Entrant, *, answers_weighed: bool = False
) -> int:
    """Open a flag, or add to the one that stands for this cause; returns its id.

    Noticing the same again, word for word, adds nothing. Once a person answered, the cause stays
    quiet until it becomes more urgent than it was then; with `answers_weighed` the caller has
    found that it deserves a look in spite of what was answered.
    """
    last_of_cause = sa.select(sa.func.max(FLAG.c.id)).where(FLAG.c.cause == new.cause)
    before = _flags(connection, FLAG.c.id == last_of_cause.scalar_subquery(), by.at)
    last = before[-1] if before and before[-1].state is not FlagState.GONE else None
    if answers_weighed and last is not None and (last.answered_at or by.at) > by.at:
        # Answered while this was worked out: that answer was not weighed.
        return last.id
    if last is not None and last.state is FlagState.DONE:
        if not answers_weighed and (_same(last, new) or new.urgency <= last.urgency):
            return last.id
        last = None
    if last is not None and last.state is FlagState.SNOOZED and answers_weighed:
        enter(connection, FLAG_EVENT, {"flag_id": last.id, "kind": "reopened", "at": by.at}, by)
    if last is not None and _same(last, new):
        return last.id
    flag_id = _open(connection, new, by) if last is None else last.id
    told = {
        "urgency": new.urgency,
        "level": new.level,
        "reason": new.reason,
        "look": new.look,
        "evidence": new.evidence,
    }
    enter(connection, FLAG_EVENT, {"flag_id": flag_id, "kind": "noticed", "at": new.at, **told}, by)
    return flag_id


def close_missing(
    connection: sa.Connection, *, still: Collection[str], among: Collection[str], by: Entrant
) -> None:
    """Let flags go whose cause is no longer there: all open ones `among` causes, not `still`."""
    for flag in flags_of_causes(
        connection, [cause for cause in among if cause not in still], by.at
    ):
        if flag.state in (FlagState.OPEN, FlagState.SNOOZED):
            enter(connection, FLAG_EVENT, {"flag_id": flag.id, "kind": "gone", "at": by.at}, by)


@dataclass(frozen=True)
class Answer:
    """What a person answered: ``"snoozed"``, ``"done"`` or ``"verdict"``."""

    kind: str
    note: str | None = None
    until_at: datetime | None = None
    verdict: Verdict | None = None


def answer(connection: sa.Connection, flag_id: int, said: Answer, by: Entrant) -> FlagOut:
    """Enter what a person answered.

    Raises
    ------
    NotFound
        If there is no such flag.
    """
    flag_out(connection, flag_id, by.at)
    enter(connection, FLAG_EVENT, {"flag_id": flag_id, "at": by.at, **asdict(said)}, by)
    return flag_out(connection, flag_id, by.at)


def flag_out(connection: sa.Connection, flag_id: int, now: datetime) -> FlagOut:
    """One flag as it stands at a moment.

    Raises
    ------
    NotFound
        If there is no such flag.
    """
    found = _flags(connection, FLAG.c.id == flag_id, now)
    if not found:
        raise NotFound("flag", flag_id)
    return found[0]


def flags_of_causes(
    connection: sa.Connection, causes: Sequence[str], now: datetime
) -> list[FlagOut]:
    """All flags that ever had one of these causes."""
    return _flags(connection, FLAG.c.cause.in_(list(causes)), now)


def flags_of_run(connection: sa.Connection, run_id: int, now: datetime) -> list[FlagOut]:
    """All flags that ever concerned one run alone, the last one first."""
    return _flags(connection, FLAG.c.run_id == run_id, now)[::-1]


def flags(
    connection: sa.Connection,
    now: datetime,
    *,
    state: FlagState = FlagState.OPEN,
    limit: int | None = None,
) -> list[FlagOut]:
    """Flags in a state, most urgent first, longest standing first among equals.

    With a `limit`, of those that were settled only the last so many that were opened.
    """
    last = _LAST_EVENTS.of(connection)
    if state in (FlagState.OPEN, FlagState.SNOOZED):
        asked = sorted(last.unsettled)
    else:
        asked = sorted(flag for flag, kind in last.kinds.items() if _SETTLED.get(kind) is state)
        asked = asked if limit is None else asked[-limit:]
    found = [flag for flag in _flags_of_ids(connection, asked, now) if flag.state is state]
    return sorted(found, key=lambda flag: (-flag.urgency, flag.since, flag.id))


def unsettled_causes(connection: sa.Connection, kinds: Collection[str]) -> set[str]:
    """Causes of flags of some kinds that are open or snoozed."""
    statement = sa.select(FLAG.c.cause).where(
        FLAG.c.kind.in_(list(kinds)), FLAG.c.id.in_(_LAST_EVENTS.of(connection).unsettled)
    )
    return set(connection.execute(statement).scalars())


@dataclass(frozen=True)
class _LastEvents:
    """What was last said of each flag, and the flags that this does not settle."""

    kinds: Mapping[int, str]
    unsettled: frozenset[int]


def _renewed(connection: sa.Connection, before: tuple[_LastEvents, Seen] | None) -> _LastEvents:
    events = current(FLAG_EVENT)
    statement = sa.select(events.c.flag_id, events.c.kind).order_by(events.c.id)
    kinds: dict[int, str] = {}
    if before is not None:
        concerned: set[int] = news(connection, FLAG_EVENT, before[1], FLAG_EVENT.c.flag_id)
        kinds = {flag: kind for flag, kind in before[0].kinds.items() if flag not in concerned}
        statement = statement.where(events.c.flag_id.in_(concerned))
    kinds.update({row.flag_id: row.kind for row in connection.execute(statement)})
    unsettled = (flag for flag, kind in kinds.items() if kind not in _SETTLED)
    return _LastEvents(kinds, frozenset(unsettled))


_LAST_EVENTS = LogMemory((FLAG_EVENT,), _renewed)


def _open(connection: sa.Connection, new: Notice, by: Entrant) -> int:
    own = ("cause", "kind", "tray_id", "shelf_id", "run_id", "lot_id", "since")
    values = {**{name: getattr(new, name) for name in own}, "opened_at": by.at}
    key = connection.execute(sa.insert(FLAG).values(values)).inserted_primary_key
    assert key is not None
    return int(key[0])


def _picture(flag_id: int, evidence: dict[str, Any], role: str) -> str | None:
    places = evidence.get("places", [])
    known = bool(places) and places[0][role] is not None
    return f"/api/flags/{flag_id}/evidence/{role}.jpg" if known else None


def _same(flag: FlagOut, new: Notice) -> bool:
    return (flag.level, flag.urgency, flag.reason, flag.look, flag.evidence) == (
        new.level,
        new.urgency,
        new.reason,
        new.look,
        new.evidence,
    )


def _flags_of_ids(connection: sa.Connection, ids: Sequence[int], now: datetime) -> list[FlagOut]:
    parts = [ids[start : start + _AT_ONCE] for start in range(0, len(ids), _AT_ONCE)]
    return [flag for part in parts for flag in _flags(connection, FLAG.c.id.in_(part), now)]


def _flags(
    connection: sa.Connection, condition: sa.ColumnElement[bool], now: datetime
) -> list[FlagOut]:
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
    return FlagOut(
        id=row["id"],
        kind=row["kind"],
        state=state,
        level=noticed["level"],
        urgency=noticed["urgency"],
        tray=row["number"],
        shelf_id=row["shelf_id"],
        run_id=row["run_id"],
        lot_id=row["lot_id"],
        trays=evidence.get("trays", [] if row["number"] is None else [row["number"]]),
        # A late photo may show that it began earlier than was known when the flag was opened.
        since=evidence.get("since", row["since"]),
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
    )
