"""What people answered to flags, as reasons to look weigh it; how often flags were right."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from math import hypot
from typing import Final

import sqlalchemy as sa

from service.entries import current
from service.flag_rows import ANSWERS
from service.log_memory import LogMemory, Seen, news
from service.models.flags import MouldThreshold, Verdict, VerdictCount, VerdictsOut
from service.room_log import Row
from service.schema import FLAG, FLAG_EVENT
from trayvision.attention_flags import FlagKind
from trayvision.attention_mould import room_verdicts
from trayvision.attention_state import Answer, AnswerKind, Level, RoomState
from trayvision.early_warning import RoomVerdicts, WarningRates

# A photo that comes late may move the place where a patch was first seen by that much.
_SAME_PLACE_MM: Final = 15.0
_MANY: Final = 10**6


def answers(connection: sa.Connection) -> tuple[Answer, ...]:
    """All answers, oldest first, each with its flag as it stood then.

    Who confirms a flag has also seen to it: it comes back when something newer shows it.
    """
    by_flag = _ANSWERS.of(connection)
    told = [one for of_flag in by_flag.values() for one in of_flag]
    return tuple(answer for _, found in sorted(told, key=lambda one: one[0]) for answer in found)


# The number of the event and what it answers, by flag.
_ByFlag = dict[int, tuple[tuple[int, tuple[Answer, ...]], ...]]


def _renewed(connection: sa.Connection, before: tuple[_ByFlag, Seen] | None) -> _ByFlag:
    events = current(FLAG_EVENT)
    asked = sa.select(events.c.flag_id).where(events.c.kind.in_(ANSWERS))
    kept: _ByFlag = {}
    if before is not None:
        concerned: set[int] = news(connection, FLAG_EVENT, before[1], FLAG_EVENT.c.flag_id)
        kept = {flag: found for flag, found in before[0].items() if flag not in concerned}
        asked = asked.where(events.c.flag_id.in_(concerned))
    statement = sa.select(events).where(events.c.flag_id.in_(asked)).order_by(events.c.id)
    noticed: dict[int, list[Row]] = {}
    for event in connection.execute(statement).mappings():
        flag = event["flag_id"]
        if event["kind"] == "noticed":
            noticed.setdefault(flag, []).append(event)
        elif event["kind"] in ANSWERS and flag in noticed:
            found = event["id"], tuple(_answers(event, _known(noticed[flag], event["at"])))
            kept[flag] = (*kept.get(flag, ()), found)
    return kept


_ANSWERS = LogMemory((FLAG_EVENT,), _renewed)


def _known(noticed: Sequence[Row], at: datetime) -> Row:
    """What was last noticed when an answer was given, also of one that was written down later."""
    return next((one for one in reversed(noticed) if one["at"] <= at), noticed[0])


def _answers(event: Row, noticed: Row) -> list[Answer]:
    evidence = noticed["evidence"] or {}
    found = []
    for key in evidence.get("keys", []):
        answer = Answer(
            flag_key=key,
            kind=AnswerKind.DONE,
            said_at=event["at"],
            until=event["until_at"],
            level=Level(noticed["level"]),
            strength=evidence["strength"],
            trays=tuple(evidence.get("trays", ())),
        )
        if event["kind"] == "snoozed":
            found.append(replace(answer, kind=AnswerKind.SNOOZE))
        elif event["kind"] == "done":
            found.append(answer)
        elif event["verdict"] == Verdict.RIGHT:
            found += [replace(answer, kind=AnswerKind.RIGHT), answer]
        else:
            found.append(replace(answer, kind=AnswerKind.WRONG, cause=event["verdict"]))
    return found


def followed(answers: Iterable[Answer], keys: Sequence[str]) -> tuple[Answer, ...]:
    """Answers to possible mould, given to the patch that is nearest now to where it was then."""
    places: dict[str | None, dict[str, Place]] = {}
    for key in keys:
        if (place := _place(key)) is not None:
            places.setdefault(run_of_mould(key), {})[key] = place
    return tuple(_given(one, places.get(run_of_mould(one.flag_key), {})) for one in answers)


def run_of_mould(key: str) -> str | None:
    """The run of a key of possible mould, None of a key of something else."""
    kind, _, rest = key.partition("/")
    return rest.partition("/")[0] if kind == FlagKind.POSSIBLE_MOULD else None


Place = tuple[float, float]


def _given(answer: Answer, places: Mapping[str, Place]) -> Answer:
    """An answer, given to the nearest of its run's patches."""
    key = answer.flag_key
    was = _place(key) if places and key not in places else None
    if was is None:
        return answer
    apart = {other: hypot(x - was[0], y - was[1]) for other, (x, y) in places.items()}
    near = min(apart, key=lambda other: apart[other])
    return replace(answer, flag_key=near) if apart[near] <= _SAME_PLACE_MM else answer


def _place(key: str) -> Place | None:
    """The place on its tray of a key of possible mould."""
    kind, *parts = key.split("/")
    if kind != FlagKind.POSSIBLE_MOULD or len(parts) != 2:
        return None
    x, _, y = parts[1].partition(",")
    return float(x), float(y)


def verdicts_out(connection: sa.Connection) -> VerdictsOut:
    """How often flags were right in this room; the last verdict on each flag counts."""
    return _VERDICTS.of(connection)


def _verdicts(connection: sa.Connection, before: tuple[VerdictsOut, Seen] | None) -> VerdictsOut:
    if before is not None and not _is_answered_since(connection, before[1]):
        return before[0]
    events = current(FLAG_EVENT)
    statement = (
        sa.select(FLAG.c.id, FLAG.c.kind, events.c.verdict)
        .join(events, events.c.flag_id == FLAG.c.id)
        .where(events.c.verdict.is_not(None))
        .order_by(events.c.id)
    )
    last = {row.id: (row.kind, row.verdict) for row in connection.execute(statement)}
    kinds = sorted({kind for kind, _ in last.values()})
    counts = [_count(kind, [said for of, said in last.values() if of == kind]) for kind in kinds]
    # Verdicts count whenever they were given.
    here = room_verdicts(RoomState(datetime.max.replace(tzinfo=UTC), answers=answers(connection)))
    return VerdictsOut(kinds=counts, mould=_threshold(here))


def _is_answered_since(connection: sa.Connection, seen: Seen) -> bool:
    """Whether there is a new answer, or one that was taken back."""
    new, answered = FLAG_EVENT.c.id > seen.last["flag_event"], FLAG_EVENT.c.kind.in_(ANSWERS)
    statement = sa.select(FLAG_EVENT.c.id).where(new, answered).limit(1)
    return connection.execute(statement).first() is not None


_VERDICTS = LogMemory((FLAG_EVENT,), _verdicts)


def _count(kind: str, said: Sequence[str]) -> VerdictCount:
    right = said.count(Verdict.RIGHT)
    was = {one: said.count(one) for one in sorted(set(said))}
    return VerdictCount(kind=kind, right=right, wrong=len(said) - right, was=was)


def _threshold(here: RoomVerdicts) -> MouldThreshold:
    rates = WarningRates()
    # Where very many verdicts of one kind lead: the limits.
    lowest, highest = RoomVerdicts(right=_MANY).shift, RoomVerdicts(wrong_otherwise=_MANY).shift
    all_in_all = here.right + here.wrong_in_all
    if not all_in_all:
        words = "No verdict on possible mould in this room yet."
    else:
        words = f"Possible mould was right {here.right} of {all_in_all} times in this room"
        more = "more" if here.shift > 0 else "less"
        words += f": {more} evidence is asked for." if round(here.shift, 2) else "."
    return MouldThreshold(
        share_right=round(here.share_right, 4),
        shift=round(here.shift, 4),
        lowest_shift=lowest,
        highest_shift=highest,
        look_at=round(rates.look_bound + here.shift, 4),
        hold_at=round(rates.hold_bound + here.shift, 4),
        look_at_without_verdicts=round(rates.look_bound, 4),
        hold_at_without_verdicts=round(rates.hold_bound, 4),
        words=words,
    )
