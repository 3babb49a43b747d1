"""What people answered, and what opens a flag again.

Done: until something newer than the answer shows it. Snooze: until its time. "No, it was …":
until the evidence has clearly grown. Right: stays open, it was confirmed. Whatever was
answered, a flag that has risen to hold since comes back, and so does a batch to harvest when
more of its trays are due.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

from trayvision.attention.flags import Flag, FlagKind
from trayvision.attention.state import Answer, AnswerKind, Level

_SNOOZE: Final = timedelta(hours=24)
# What was done needs that long to show: a photo sooner proves nothing.
_DONE_SHOWS_AFTER: Final = {
    FlagKind.POSSIBLE_MOULD: timedelta(hours=1),
    FlagKind.HOT_OR_HUMID: timedelta(hours=2),
    FlagKind.STANDING_WATER: timedelta(hours=4),
    FlagKind.CAMERA: timedelta(hours=2),
    FlagKind.NO_PHOTO: timedelta(hours=2),
}
_DONE_SHOWS_USUALLY: Final = timedelta(hours=24)
# Evidence for mould adds up in nats: e² times likelier than when it was called harmless.
_MORE_NATS: Final = 2.0
_MORE_SHARE: Final = 1.5
_WRONG_HOLDS: Final = timedelta(days=3)
_RANK: Final = {Level.NOTE: 0, Level.LOOK: 1, Level.HOLD: 2}


def open_flags(flags: Sequence[Flag], answers: Sequence[Answer], now: datetime) -> list[Flag]:
    """Flags that no answer silences at a moment."""
    last: dict[str, Answer] = {}
    for answer in sorted(answers, key=lambda one: one.said_at):
        if answer.said_at <= now:
            last[answer.flag_key] = answer
    return [flag for flag in flags if flag.key not in last or is_open(flag, last[flag.key], now)]


def is_open(flag: Flag, answer: Answer, now: datetime) -> bool:
    """Whether a flag stands in spite of an answer."""
    if flag.level is Level.HOLD and _RANK[answer.level] < _RANK[Level.HOLD]:
        return True
    if answer.kind is AnswerKind.RIGHT or _others_are_due(flag, answer):
        return True
    if answer.kind is AnswerKind.SNOOZE:
        return now >= (answer.until or answer.said_at + _SNOOZE)
    if answer.kind is AnswerKind.DONE:
        shows = _DONE_SHOWS_AFTER.get(flag.kind, _DONE_SHOWS_USUALLY)
        return flag.latest_at > answer.said_at + shows
    if flag.kind is FlagKind.POSSIBLE_MOULD:
        return flag.strength >= answer.strength + _MORE_NATS
    # Other kinds measure in their own units; a room changes, so "no" holds for some days.
    grown = flag.strength >= _MORE_SHARE * answer.strength > 0
    return grown or now >= answer.said_at + _WRONG_HOLDS


def _others_are_due(flag: Flag, answer: Answer) -> bool:
    """Whether trays of the batch are due that were not when it was answered."""
    known = flag.kind in (FlagKind.READY, FlagKind.OVERDUE) and bool(answer.trays)
    return known and not set(flag.trays) <= set(answer.trays)


def confirmed_runs(answers: Sequence[Answer]) -> set[str]:
    """Ids of runs with a patch of possible mould of which the last verdict is that it is right.

    The last is the one entered last: `answers` are in that order.
    """
    last: dict[str, Answer] = {}
    for answer in answers:
        if answer.kind in (AnswerKind.RIGHT, AnswerKind.WRONG):
            last[answer.flag_key] = answer
    mould = f"{FlagKind.POSSIBLE_MOULD}/"
    return {
        key.removeprefix(mould).split("/")[0]
        for key, answer in last.items()
        if answer.kind is AnswerKind.RIGHT and key.startswith(mould)
    }
