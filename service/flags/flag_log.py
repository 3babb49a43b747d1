"""Flags as the log keeps them: one cause one flag, and all that people answered."""

from collections.abc import Collection, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final

import sqlalchemy as sa

from service.flags.flag_rows import ANSWERS, flags_where, settled_flags, standing_flags, unsettled
from service.log.entries import Entrant, current, enter
from service.log.refusals import NotFound, Refusal
from service.log.schema import FLAG, FLAG_EVENT, RUN
from service.models.flags import FlagOut, FlagState, Verdict
from service.runs.run_calendar import run_calendar

# As long as the longest run: whoever wants to hear no more of it says what it was.
_LONGEST_SNOOZE: Final = timedelta(days=60)
# A database takes only so many values in one query.
_AT_ONCE: Final = 500


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
    connection: sa.Connection, new: Notice, by: Entrant, *, weighed: int | None = None
) -> int:
    """Open a flag, or add to the one that stands for this cause; returns its id.

    As `notice_all` does of several.
    """
    return notice_all(connection, [new], by, weighed=weighed)[0]


def notice_all(
    connection: sa.Connection, new: Sequence[Notice], by: Entrant, *, weighed: int | None = None
) -> list[int]:
    """Open flags, or add to those that stand for their causes; returns their ids in this order.

    Noticing the same again, word for word, adds nothing. Once a person answered, the cause stays
    quiet until it becomes more urgent than it was then; a caller who `weighed` the answers, up to
    that row (`last_answer`), has found that it deserves a look in spite of them.
    """
    # Mostly nothing is new: what stands is asked for all at once.
    before = _last_of_causes(connection, {one.cause for one in new}, by.at)
    # Answered while this was worked out: those answers were not weighed.
    unweighed = set() if weighed is None else _answered_since(connection, weighed)
    ids = []
    for one in new:
        last = before.pop(one.cause, None)
        if last is not None and last.state is FlagState.GONE:
            last = None
        if last is not None and last.id in unweighed:
            ids.append(last.id)
        else:
            ids.append(_noticed(connection, one, last, by, weighed=weighed is not None))
        # Where the same cause comes twice, the second finds what the first has left.
        if any(other.cause == one.cause for other in new[len(ids) :]):
            before |= _last_of_causes(connection, {one.cause}, by.at)
    return ids


def _noticed(
    connection: sa.Connection, new: Notice, last: FlagOut | None, by: Entrant, *, weighed: bool
) -> int:
    """Open a flag or add to the last one of its cause; returns its id."""
    if last is not None and last.state is FlagState.DONE:
        if not weighed and (_same(last, new) or new.urgency <= last.urgency):
            return last.id
        last = None
    if last is not None and last.state is FlagState.SNOOZED and weighed:
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


def last_answer(connection: sa.Connection) -> int:
    """Row of the last answer to any flag; 0 before there is one.

    Rows and not moments tell which of two came first: what was done may be written down later.
    """
    statement = sa.select(sa.func.max(FLAG_EVENT.c.id)).where(FLAG_EVENT.c.kind.in_(ANSWERS))
    return int(connection.execute(statement).scalar() or 0)


def _answered_since(connection: sa.Connection, last: int) -> set[int]:
    """Flags that were answered after an answer's row."""
    statement = sa.select(FLAG_EVENT.c.flag_id).where(
        FLAG_EVENT.c.id > last, FLAG_EVENT.c.kind.in_(ANSWERS)
    )
    return set(connection.execute(statement).scalars())


def _last_of_causes(
    connection: sa.Connection, causes: Collection[str], now: datetime
) -> dict[str, FlagOut]:
    """The flag that was opened last for each of some causes, as it stands at a moment."""
    asked, found = sorted(causes), dict[str, FlagOut]()
    for start in range(0, len(asked), _AT_ONCE):
        last = sa.select(FLAG.c.cause, sa.func.max(FLAG.c.id).label("id"))
        last = last.where(FLAG.c.cause.in_(asked[start : start + _AT_ONCE])).group_by(FLAG.c.cause)
        cause_of = {row.id: row.cause for row in connection.execute(last)}
        told = flags_where(connection, FLAG.c.id.in_(list(cause_of)), now)
        found |= {cause_of[flag.id]: flag for flag in told}
    return found


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
    """What a person answered: ``"snoozed"``, ``"done"`` or ``"verdict"``; `at` None: just now."""

    kind: str
    note: str | None = None
    until_at: datetime | None = None
    verdict: Verdict | None = None
    at: datetime | None = None


def answer(connection: sa.Connection, flag_id: int, said: Answer, by: Entrant) -> FlagOut:
    """Enter what a person answered.

    Raises
    ------
    NotFound
        If there is no such flag.
    Refusal
        If it was given before what it answers began, or is still to come; or it puts a look off
        until a moment that has passed, or for more than 60 days.
    """
    if said.until_at is not None and not by.at < said.until_at <= by.at + _LONGEST_SNOOZE:
        raise Refusal(
            "until",
            f"must be later than now and at most {_LONGEST_SNOOZE.days} days ahead, got "
            f"{said.until_at:%Y-%m-%d %H:%M} UTC while the service's clock says "
            f"{by.at:%Y-%m-%d %H:%M} UTC",
        )
    flag, at = flag_out(connection, flag_id, by.at), said.at or by.at
    if said.at is not None and not flag.since <= at <= by.at:
        raise Refusal(
            "at",
            f"must be from {flag.since:%Y-%m-%d %H:%M} UTC, when it began, to now, "
            f"got {at:%Y-%m-%d %H:%M} UTC",
        )
    enter(connection, FLAG_EVENT, {"flag_id": flag_id, **asdict(said), "at": at}, by)
    return flag_out(connection, flag_id, by.at)


def flag_out(connection: sa.Connection, flag_id: int, now: datetime) -> FlagOut:
    """One flag as it stands at a moment.

    Raises
    ------
    NotFound
        If there is no such flag.
    """
    found = flags_where(connection, FLAG.c.id == flag_id, now)
    if not found:
        raise NotFound("flag", flag_id)
    return found[0]


def flags_of_causes(
    connection: sa.Connection, causes: Sequence[str], now: datetime
) -> list[FlagOut]:
    """All flags that ever had one of these causes."""
    return flags_where(connection, FLAG.c.cause.in_(list(causes)), now)


def flags_of_run(connection: sa.Connection, run_id: int, now: datetime) -> list[FlagOut]:
    """All flags that ever concerned one run alone, the last one first.

    Those of a withdrawn run that this one was entered for anew are among them.
    """
    span = run_calendar(connection).by_id.get(run_id)
    own = FLAG.c.run_id == run_id
    if span is not None:
        own |= sa.and_(
            FLAG.c.tray_id == span.tray_id,
            FLAG.c.since >= span.begins_at,
            FLAG.c.since < span.until,
            FLAG.c.run_id.is_not(None),
            FLAG.c.run_id.not_in(sa.select(current(RUN).c.id)),
        )
    return flags_where(connection, own, now)[::-1]


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
    if state in (FlagState.OPEN, FlagState.SNOOZED):
        told = standing_flags(connection, now)
    else:
        told = settled_flags(connection, state, now, limit=limit)
    found = [flag for flag in told if flag.state is state]
    return sorted(found, key=lambda flag: (-flag.urgency, flag.since, flag.id))


def unsettled_causes(connection: sa.Connection, kinds: Collection[str]) -> set[str]:
    """Causes of flags of some kinds that are open or snoozed."""
    statement = sa.select(FLAG.c.cause).where(
        FLAG.c.kind.in_(list(kinds)), FLAG.c.id.in_(unsettled(connection))
    )
    return set(connection.execute(statement).scalars())


def _open(connection: sa.Connection, new: Notice, by: Entrant) -> int:
    own = ("cause", "kind", "tray_id", "shelf_id", "run_id", "lot_id", "since")
    values = {**{name: getattr(new, name) for name in own}, "opened_at": by.at}
    key = connection.execute(sa.insert(FLAG).values(values)).inserted_primary_key
    assert key is not None
    return int(key[0])


def _same(flag: FlagOut, new: Notice) -> bool:
    return (flag.level, flag.urgency, flag.reason, flag.look, flag.evidence) == (
        new.level,
        new.urgency,
        new.reason,
        new.look,
        new.evidence,
    )
