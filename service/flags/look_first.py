"""What asks to look at a growing tray before it is taken, beside the flags that it has itself."""

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

import sqlalchemy as sa

from service.flags.flag_log import flag_out
from service.flags.mould_when_taken import MouldWhenTaken
from service.growth.run_series import RunReadings
from service.models.today import LookFirst, LookWhy
from service.photos.photo_scores import NewestPhoto

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
    newest: Mapping[int, NewestPhoto],
    told: Collection[int],
) -> ByRun:
    """By run, what asks for a look until somebody gave it.

    A photo asks for two days, until somebody answered a flag of possible mould of that run after
    it. Trays that are named beside mould that somebody found ask for a week, until a photo of
    them was taken in which mould could be judged, or a flag of possible mould of theirs was
    answered after that.

    Parameters
    ----------
    connection : Connection
    growing : sequence of RunReadings
    now : aware datetime
    newest : mapping of run id to NewestPhoto
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
            if neighbour is None or neighbour.span.begins_at > at:
                continue
            photo = newest.get(neighbour.span.id)
            judged_at = None if photo is None else photo.judged_at
            looked = (record.last_answer(neighbour.span.id), judged_at)
            if all(one is None or one <= at for one in looked):
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
