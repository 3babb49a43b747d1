"""All that was ever said of one flag: noticed, answered, undone, by whom and when."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from service.accounts.people import people_names
from service.flags.flag_rows import ANSWERS
from service.log.schema import FLAG_EVENT
from service.models.flags import Verdict
from service.room.room_log import Row


@dataclass(frozen=True)
class FlagEvent:
    """One thing that was said of a flag.

    Parameters
    ----------
    entry_id : int
        Row that was entered.
    kind : str
        ``"noticed"``, ``"snoozed"``, ``"done"``, ``"verdict"``, ``"gone"`` or ``"reopened"``.
    at : aware datetime
        Of an answer, when it was given; of what was noticed, when the photo was taken.
    said_at : aware datetime
        When it was entered: of what was noticed, when its words were said.
    by : str or None
        Name of the person.
    level, reason : str or None
        Of what was noticed.
    until_at : aware datetime or None
        Of a snooze.
    verdict : Verdict or None
    note : str or None
    undone_at : aware datetime or None
    """

    entry_id: int
    kind: str
    at: datetime
    said_at: datetime
    by: str | None
    level: str | None
    reason: str | None
    until_at: datetime | None
    verdict: Verdict | None
    note: str | None
    undone_at: datetime | None

    @property
    def is_answer(self) -> bool:
        """Whether a person said it."""
        return self.kind in ANSWERS


def flag_history(connection: sa.Connection, flag_id: int) -> list[FlagEvent]:
    """All that was said of a flag, first entry first, what was undone included."""
    return flag_histories(connection, [flag_id]).get(flag_id, [])


def flag_histories(
    connection: sa.Connection, flag_ids: Sequence[int]
) -> dict[int, list[FlagEvent]]:
    """The same of some hundred flags at once."""
    names = people_names(connection)
    statement = (
        sa.select(FLAG_EVENT).where(FLAG_EVENT.c.flag_id.in_(flag_ids)).order_by(FLAG_EVENT.c.id)
    )
    rows = list(connection.execute(statement).mappings())
    undone = {row["original_id"]: row["entered_at"] for row in rows if row["withdrawn"]}
    found: dict[int, list[FlagEvent]] = {}
    for row in rows:
        if row["original_id"] is None:
            event = _event(row, names, undone.get(row["id"]))
            found.setdefault(row["flag_id"], []).append(event)
    return found


def _event(row: Row, names: Mapping[int, str], undone_at: datetime | None) -> FlagEvent:
    return FlagEvent(
        entry_id=row["id"],
        kind=row["kind"],
        at=row["at"],
        said_at=row["entered_at"],
        by=names.get(row["entered_by"]),
        level=row["level"],
        reason=row["reason"],
        until_at=row["until_at"],
        verdict=None if row["verdict"] is None else Verdict(row["verdict"]),
        note=row["note"],
        undone_at=undone_at,
    )


def last_answer_entry(connection: sa.Connection, flag_id: int) -> int:
    """Row of the last answer to a flag, that an undo takes back. Raises ValueError."""
    given = [event.entry_id for event in flag_history(connection, flag_id) if event.is_answer]
    if not given:
        raise ValueError(f"flag must have an answer, got none of flag {flag_id}")
    return given[-1]


def told_once(history: Sequence[FlagEvent]) -> list[FlagEvent]:
    """What was said of a flag, each thing once: what moved in it and in no word of it is left out.

    Parameters
    ----------
    history : sequence of FlagEvent
        In order, as `flag_history` gives it.
    """
    last = {event.at: event for event in history if event.kind == "noticed"}
    kept: list[FlagEvent] = []
    for one in history:
        if one.kind == "noticed":
            # Of what one photo showed only the last wording stands.
            if last[one.at] is not one:
                continue
            before = kept[-1] if kept else None
            if before is not None and (before.kind, before.level, before.reason) == (
                one.kind,
                one.level,
                one.reason,
            ):
                continue
        kept.append(one)
    return kept
