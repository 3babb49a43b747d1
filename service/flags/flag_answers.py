"""What people answered to flags, as reasons to look weigh it; how often flags were right."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from math import hypot
from typing import Final

import sqlalchemy as sa

from service.flags.flag_rows import ANSWERS
from service.log.entries import current
from service.log.log_memory import LogMemory, Seen, news
from service.log.schema import FLAG, FLAG_EVENT, HARVEST, RUN, TRAY
from service.models.flags import MouldThreshold, Verdict, VerdictCount, VerdictsOut
from service.room.room_log import Row
from service.runs.flag_runs import present_run_of
from service.runs.run_calendar import RunCalendar, run_calendar
from trayvision.attention.flags import FlagKind
from trayvision.attention.mould import room_verdicts
from trayvision.attention.state import Answer, AnswerKind, Level, RoomState
from trayvision.warning.early_warning import RoomVerdicts, WarningRates

# A photo that comes late may move the place where a patch was first seen by that much.
_SAME_PLACE_MM: Final = 15.0
_MANY: Final = 10**6


def answers(connection: sa.Connection) -> tuple[Answer, ...]:
    """All answers, oldest first, each with its flag as it stood then.

    Who confirms a flag has also seen to it: it comes back when something newer shows it. Answers
    to flags of a run that was withdrawn are those of the run that was entered anew for that tray
    and time; without one they do not count.
    """
    calendar = run_calendar(connection)
    told = [one for flag in _ANSWERS.of(connection).values() for one in flag.that_count(calendar)]
    return tuple(answer for _, found in sorted(told, key=lambda one: one[0]) for answer in found)


# The number of an event and what it answers.
_Said = tuple[int, tuple[Answer, ...]]


@dataclass(frozen=True)
class _Answered:
    """A flag that was answered: whose it is, and all answers in the order of their events."""

    run_id: int | None
    tray_id: int | None
    since: datetime
    said: tuple[_Said, ...]

    def that_count(self, calendar: RunCalendar) -> tuple[_Said, ...]:
        """The answers as they count now."""
        if self.run_id is None or self.run_id in calendar.by_id:
            return self.said
        anew = present_run_of(calendar, self.run_id, tray_id=self.tray_id, since=self.since)
        if anew is None:
            return ()
        return tuple(
            (event, tuple(_of_run(one, self.run_id, anew) for one in found))
            for event, found in self.said
            # What was only put off is told anew: nobody has said what it was.
            if all(one.kind is not AnswerKind.SNOOZE for one in found)
        )


def _of_run(answer: Answer, before: int, anew: int) -> Answer:
    """An answer to the same of another run; keys that name no run stay."""
    kind, *names = answer.flag_key.split("/")
    if names[:1] != [str(before)]:
        return answer
    return replace(answer, flag_key="/".join([kind, str(anew), *names[1:]]))


_ByFlag = dict[int, _Answered]


def _renewed(connection: sa.Connection, before: tuple[_ByFlag, Seen] | None) -> _ByFlag:
    events = current(FLAG_EVENT)
    asked = sa.select(events.c.flag_id).where(events.c.kind.in_(ANSWERS))
    kept: _ByFlag = {}
    if before is not None:
        concerned: set[int] = news(connection, FLAG_EVENT, before[1], FLAG_EVENT.c.flag_id)
        kept = {flag: found for flag, found in before[0].items() if flag not in concerned}
        asked = asked.where(events.c.flag_id.in_(concerned))
    statement = (
        sa.select(events, FLAG.c.run_id, FLAG.c.tray_id, FLAG.c.since)
        .join(FLAG, FLAG.c.id == events.c.flag_id)
        .where(events.c.flag_id.in_(asked))
        .order_by(events.c.id)
    )
    of_flag: dict[int, list[Row]] = {}
    for event in connection.execute(statement).mappings():
        of_flag.setdefault(event["flag_id"], []).append(event)
    for flag, told in of_flag.items():
        own = {name: told[0][name] for name in ("run_id", "tray_id", "since")}
        kept[flag] = _Answered(**own, said=_said(told))
    return kept


def _said(events: Sequence[Row]) -> tuple[_Said, ...]:
    """All that was answered to one flag."""
    noticed: list[Row] = []
    said: list[_Said] = []
    for event in events:
        if event["kind"] == "noticed":
            noticed.append(event)
        elif event["kind"] in ANSWERS and noticed:
            said.append((event["id"], tuple(_answers(event, _known(noticed, event["at"])))))
        elif event["kind"] == "gone":
            said = [one for one in said if not any(map(_puts_off_a_hold, one[1]))]
    return tuple(said)


def _puts_off_a_hold(answer: Answer) -> bool:
    """Once gone it holds nothing: where it comes back, its tray must be held again."""
    return answer.kind is AnswerKind.SNOOZE and answer.level is Level.HOLD


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
            # Who confirmed it has put the tray on hold: that the evidence says so too is no news.
            held = replace(answer, level=Level.HOLD)
            found += [replace(held, kind=AnswerKind.RIGHT), held]
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
    return _VERDICTS.of(connection)[0]


# How often flags were right, and the runs by which answers were counted.
_Counted = tuple[VerdictsOut, RunCalendar]


def _verdicts(connection: sa.Connection, before: tuple[_Counted, Seen] | None) -> _Counted:
    calendar = run_calendar(connection)
    same_runs = before is not None and before[0][1] is calendar
    if before is not None and same_runs and not _is_answered_since(connection, before[1]):
        return before[0]
    events = current(FLAG_EVENT)
    statement = (
        sa.select(FLAG, events.c.verdict)
        .join(events, events.c.flag_id == FLAG.c.id)
        .where(events.c.verdict.is_not(None))
        .order_by(events.c.id)
    )
    last = {
        row.id: (row.kind, row.verdict)
        for row in connection.execute(statement)
        if row.run_id is None
        or present_run_of(calendar, row.run_id, tray_id=row.tray_id, since=row.since) is not None
    }
    kinds = sorted({kind for kind, _ in last.values()})
    counts = [_count(kind, [said for of, said in last.values() if of == kind]) for kind in kinds]
    # Verdicts count whenever they were given.
    here = room_verdicts(RoomState(datetime.max.replace(tzinfo=UTC), answers=answers(connection)))
    return VerdictsOut(kinds=counts, mould=_threshold(here)), calendar


def _is_answered_since(connection: sa.Connection, seen: Seen) -> bool:
    """Whether there is a new answer, or one that was taken back."""
    new, answered = FLAG_EVENT.c.id > seen.last["flag_event"], FLAG_EVENT.c.kind.in_(ANSWERS)
    statement = sa.select(FLAG_EVENT.c.id).where(new, answered).limit(1)
    return connection.execute(statement).first() is not None


_VERDICTS = LogMemory((FLAG_EVENT, RUN, HARVEST, TRAY), _verdicts)


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
