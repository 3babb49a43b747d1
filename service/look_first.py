"""What asks to look at a growing tray before it is taken, beside the flags that it has itself."""

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta
from typing import Final

import sqlalchemy as sa

from service.flag_log import flag_out
from service.models.today import LookFirst, LookWhy
from service.mould_when_taken import MouldWhenTaken
from service.run_readings import RunReadings

# A candidate that one photo alone gives less is not worth a word.
_WORTH_A_LOOK: Final = 0.3
# After two days there are newer photos, or the round asks for one.
_PHOTO_ASKS_FOR: Final = timedelta(days=2)
# Judgement: spread to trays that share water shows within days; a tray nobody looked at for a week
# after that is harvested or photographed.
_NEIGHBOURS_ASK_FOR: Final = timedelta(days=7)

ByRun = dict[int, list[LookFirst]]


def looks_first(
    connection: sa.Connection,
    growing: Sequence[RunReadings],
    now: datetime,
    *,
    told: Collection[int],
) -> ByRun:
    """By run, what asks for a look until somebody gave it.

    A photo asks for two days, until somebody answered a flag of possible mould of that run after
    it. Trays that are named beside mould that somebody found ask for a week, until a photo of
    them was taken or a flag of possible mould of theirs was answered after that.

    Parameters
    ----------
    connection : Connection
    growing : sequence of RunReadings
    now : aware datetime
    told : collection of int
        Runs of which a hold or an open flag of possible mould says it already.
    """
    record = MouldWhenTaken(connection)
    found: ByRun = {}
    for readings in growing:
        run_id = readings.span.id
        asks = None if run_id in told else _photo(readings, record.last_answer(run_id), now)
        if asks is not None:
            found.setdefault(run_id, []).append(asks)
    by_number = {readings.span.number: readings for readings in growing}
    for flag_id, at in record.found().items():
        if now - at > _NEIGHBOURS_ASK_FOR:
            continue
        flag = flag_out(connection, flag_id, now)
        if flag.tray is None:
            continue
        because = LookFirst(why=LookWhy.NEIGHBOUR, at=at, tray=flag.tray, flag_id=flag_id)
        for number in flag.evidence.get("related", ()):
            neighbour = by_number.get(number)
            if neighbour is not None and _not_looked_at(neighbour, at, record):
                found.setdefault(neighbour.span.id, []).append(because)
    return found


def _photo(readings: RunReadings, answered: datetime | None, now: datetime) -> LookFirst | None:
    """The likeliest spot of the last days' photos that nobody has answered."""
    recent = [
        row
        for row in readings.rows
        if now - row["taken_at"] <= _PHOTO_ASKS_FOR
        and row["mould_likelihood"] >= _WORTH_A_LOOK
        and (answered is None or row["taken_at"] > answered)
    ]
    if not recent:
        return None
    likeliest = max(recent, key=lambda row: (row["mould_likelihood"], row["taken_at"]))
    return LookFirst(
        why=LookWhy.PHOTO,
        at=likeliest["taken_at"],
        photo_id=likeliest["photo_id"],
        likelihood=round(likeliest["mould_likelihood"], 3),
    )


def _not_looked_at(readings: RunReadings, since: datetime, record: MouldWhenTaken) -> bool:
    """Whether a tray stood there then, and nobody photographed it or answered of it since."""
    answered = record.last_answer(readings.span.id)
    photographed = readings.rows[-1]["taken_at"] if readings.rows else None
    looked = [at for at in (answered, photographed) if at is not None]
    return readings.span.begins_at <= since and all(at <= since for at in looked)
