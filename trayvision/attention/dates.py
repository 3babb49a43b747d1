"""Harvests that are due, each batch once."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from trayvision.attention.flags import (
    Flag,
    FlagKind,
    at_once,
    flag_key,
    moment_words,
    tray_words,
    trays_words,
)
from trayvision.attention.growth import RECENT
from trayvision.attention.readings import TrayReading
from trayvision.attention.state import Level, RoomState, RunState

READY_WITHIN: Final = timedelta(hours=12)
OVERDUE_AFTER: Final = timedelta(hours=24)
_OVERGROWN: Final = 1.2


def harvest_flags(room: RoomState, *, on_hold: Collection[int] = ()) -> list[Flag]:
    """One flag for the ready trays of each batch, one for the overdue ones.

    Trays `on_hold` from feeding are not asked to be harvested; beside others of their batch they
    are named as held.
    """
    due: dict[tuple[FlagKind, str], list[tuple[RunState, datetime]]] = defaultdict(list)
    held: dict[tuple[FlagKind, str], list[int]] = defaultdict(list)
    for run in room.runs:
        since = _ready_since(room, run)
        if since is None:
            continue
        overdue = room.now - since >= OVERDUE_AFTER or _overgrown(room, run)
        kind = FlagKind.OVERDUE if overdue else FlagKind.READY
        if run.tray in on_hold:
            held[kind, room.batch_of(run)].append(run.tray)
        else:
            due[kind, room.batch_of(run)].append((run, since))
    return [
        _with_holds(_harvest_flag(room, kind, runs), sorted(held[kind, batch]))
        for (kind, batch), runs in sorted(due.items())
    ]


def _with_holds(flag: Flag, held: Sequence[int]) -> Flag:
    if not held:
        return flag
    words = trays_words(held)
    verb = "is" if len(held) == 1 else "are"
    look_at = f"{flag.look_at} {words[0].upper()}{words[1:]} {verb} on hold: do not feed."
    return replace(flag, look_at=look_at)


def _ready_since(room: RoomState, run: RunState) -> datetime | None:
    """The moment from which a tray is due, at most `READY_WITHIN` ahead."""
    moments = []
    if run.target_day is not None:
        moments.append(run.spread_at + timedelta(days=run.target_day))
    target = run.target_shoot_height_mm
    if target is not None:
        tall = [one for one in run.until(room.now) if (one.height_mm or 0.0) >= target]
        moments += [one.photo.taken_at for one in tall[:1]]
    if run.harvest is not None:
        moments.append(run.harvest.median)
    first = min(moments, default=None)
    return first if first is not None and first <= room.now + READY_WITHIN else None


def _overgrown(room: RoomState, run: RunState) -> bool:
    target = run.target_shoot_height_mm
    last = _last_height(room, run)
    return bool(target and last and (last.height_mm or 0.0) >= _OVERGROWN * target)


def _last_height(room: RoomState, run: RunState) -> TrayReading | None:
    measured = [one for one in run.until(room.now) if one.height_mm is not None]
    recent = [one for one in measured if room.now - one.photo.taken_at <= RECENT]
    return recent[-1] if recent else None


def _harvest_flag(
    room: RoomState, kind: FlagKind, due: Sequence[tuple[RunState, datetime]]
) -> Flag:
    runs = [run for run, _ in due]
    since = min(moment for _, moment in due)
    overdue = kind is FlagKind.OVERDUE
    day = runs[0].said_day(room.now)
    word = "overdue for harvest" if overdue else _due_words(room, runs, since)
    who = tray_words(room, runs[0]) if len(runs) == 1 else _many(runs, day)
    look_at = (
        "Harvest first today; lift the mat and look at it underneath, an old mat hides mould."
        if overdue
        else "Lift a corner: the mat should come up as one."
    )
    readings = [(run, _last_height(room, run)) for run in runs]
    evidence = [one for run, last in readings if last for one in at_once(run, last)]
    return Flag(
        key=flag_key(kind, room.batch_of(runs[0])),
        kind=kind,
        level=Level.LOOK if overdue else Level.NOTE,
        trays=tuple(sorted(run.tray for run in runs)),
        since=since,
        latest_at=room.now,
        reason=f"{who}: {word}.",
        look_at=look_at,
        evidence=tuple(evidence),
        strength=(room.now - since) / timedelta(days=1),
    )


def _due_words(room: RoomState, runs: Sequence[RunState], since: datetime) -> str:
    """Since when it may be ready, or from when; that it is ready only where its height was seen."""
    if since > room.now:
        return f"due for harvest {moment_words(room, since)}"
    if not any(one.height_mm is not None for run in runs for one in run.until(room.now)):
        return f"due for harvest by {'its' if len(runs) == 1 else 'their'} days"
    return "ready to harvest"


def _many(runs: Sequence[RunState], day: int) -> str:
    words = trays_words(run.tray for run in runs)
    return f"{words[0].upper()}{words[1:]}, day {day}"
