"""Harvests that are due and trays that are behind, each cause once."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from trayvision.attention_flags import (
    Flag,
    FlagKind,
    at_once,
    flag_key,
    tray_words,
    trays_words,
)
from trayvision.attention_growth import RECENT
from trayvision.attention_readings import TrayReading
from trayvision.attention_siblings import (
    COVER_TELLS,
    Behind,
    Factor,
    TrayLag,
    UsualGrowth,
    behind_since,
    find_behind,
)
from trayvision.attention_state import Level, RoomState, RunState

READY_WITHIN: Final = timedelta(hours=12)
_OVERDUE_AFTER: Final = timedelta(hours=24)
_OVERGROWN: Final = 1.2
_FIRST_COMPARED_DAY: Final = 3.0
# Photos of one round lie closer together than that.
_ONE_ROUND: Final = timedelta(hours=12)
_LAST_COMPARED_DAY: Final = 9.0


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
        overdue = room.now - since > _OVERDUE_AFTER or _overgrown(room, run)
        kind = FlagKind.OVERDUE if overdue else FlagKind.READY
        if run.tray in on_hold:
            held[kind, _batch(run)].append(run.tray)
        else:
            due[kind, _batch(run)].append((run, since))
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


def _batch(run: RunState) -> str:
    return f"{run.spread_at.date()} {run.grain}".strip()


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
    word = "overdue for harvest" if overdue else "ready to harvest"
    who = tray_words(room, runs[0]) if len(runs) == 1 else _many(runs, day)
    look_at = (
        "Harvest first today; lift the mat and look at it underneath, an old mat hides mould."
        if overdue
        else "Lift a corner: the mat should come up as one."
    )
    readings = [(run, _last_height(room, run)) for run in runs]
    evidence = [one for run, last in readings if last for one in at_once(run, last)]
    return Flag(
        key=flag_key(kind, _batch(runs[0])),
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


def _many(runs: Sequence[RunState], day: int) -> str:
    words = trays_words(run.tray for run in runs)
    return f"{words[0].upper()}{words[1:]}, day {day}"


def behind_flags(room: RoomState) -> list[Flag]:
    """Trays, shelves, lots or the whole room behind; each tray in one flag."""
    latest = {run.tray: found for run in room.runs if (found := _last_measured(room, run))}
    upto = _all_seen_until(room, latest)
    last = {
        run.tray: found
        for run in room.runs
        if run.tray in latest and (found := _last_measured(room, run, upto=upto[_batch(run)]))
    }
    compared = [run for run in room.runs if run.tray in last and _is_compared(run, last[run.tray])]
    by_cover = _told_by_cover(compared, last)
    lags = []
    for run in compared:
        batch = _batch(run)
        lag = _agreed_lag(run, upto=upto[batch], by_cover=batch in by_cover)
        if lag is not None:
            lots = "+".join(sorted(run.lots)) or None
            lags.append(TrayLag(run.tray, lag, _batch(run), room.shelf_of(run), lots))
    own_normal = all(_usual(run).is_own for run in compared)
    runs = {run.tray: run for run in compared}
    return [
        _behind_flag(room, found, [(runs[tray], last[tray]) for tray in found.trays], by_cover)
        for found in find_behind(lags, own_normal=own_normal)
    ]


def _is_compared(run: RunState, reading: TrayReading) -> bool:
    last_day = (run.target_day or _LAST_COMPARED_DAY) + 1
    return _FIRST_COMPARED_DAY <= run.day_at(reading.photo.taken_at) <= last_day


def _usual(run: RunState) -> UsualGrowth:
    return UsualGrowth(run.usual_cover, run.usual_height_mm)


def _told_by_cover(runs: Sequence[RunState], last: dict[int, TrayReading]) -> set[str]:
    """Batches in which cover still tells the trays apart: all of one batch by one measure."""
    lowest: dict[str, float] = {}
    for run in runs:
        cover = last[run.tray].photo.cover
        if cover is not None:
            lowest[_batch(run)] = min(cover, lowest.get(_batch(run), 1.0))
    return {batch for batch, cover in lowest.items() if cover <= COVER_TELLS}


def _all_seen_until(room: RoomState, latest: dict[int, TrayReading]) -> dict[str, datetime]:
    """Up to when each batch is compared: while a round of photos goes on, as of the one before.

    Else trays whose new photo came would be held against yesterday's of the others.
    """
    until: dict[str, datetime] = {}
    for run in room.runs:
        if run.tray in latest:
            moment = latest[run.tray].photo.taken_at + _ONE_ROUND
            until[_batch(run)] = min(moment, until.get(_batch(run), room.now))
    return until


def _agreed_lag(run: RunState, *, upto: datetime, by_cover: bool) -> float | None:
    """The smaller lag of the last two recent readings: one misread photo accuses no tray."""
    seen = run.until(upto)
    recent = [one for one in seen if seen[-1].photo.taken_at - one.photo.taken_at <= RECENT]
    lags = [_lag(run, one, by_cover=by_cover) for one in recent]
    return min([lag for lag in lags if lag is not None][-2:], default=None)


def _lag(run: RunState, reading: TrayReading, *, by_cover: bool) -> float | None:
    """Days a reading is behind the usual; None where the batch's measure is missing."""
    day, cover, height = run.day_at(reading.photo.taken_at), reading.photo.cover, reading.height_mm
    if by_cover:
        return None if cover is None else _usual(run).cover_lag_days(day, cover)
    return None if height is None else _usual(run).height_lag_days(day, height)


def _last_measured(
    room: RoomState, run: RunState, *, upto: datetime | None = None
) -> TrayReading | None:
    seen = run.until(upto or room.now)
    recent = [one for one in seen if room.now - one.photo.taken_at <= RECENT]
    measured = [one for one in recent if one.height_mm is not None or one.photo.cover is not None]
    return measured[-1] if measured else None


_LOOK_AT: Final = {
    Factor.TRAY: "One tray alone: look at its water, its drain and how it was spread.",
    Factor.SHELF: "One shelf: look at its water, its light and its temperature.",
    Factor.LOT: "One seed lot: test its germination before soaking more of it.",
    Factor.SHELF_OR_LOT: (
        "These trays share both, and too few share only one of them to tell which: look at the "
        "shelf's water, light and temperature, and test the seed."
    ),
    Factor.ROOM: "All trays: look at the room's temperature, water and light, and at the soak.",
}


def _behind_flag(
    room: RoomState,
    found: Behind,
    last: Sequence[tuple[RunState, TrayReading]],
    by_cover: set[str],
) -> Flag:
    first = last[0][0]
    since = min(_since(room, run, by_cover=_batch(run) in by_cover) for run, _ in last)
    behind = f"{found.lag_days:.1f} days behind"
    if found.factor is Factor.TRAY:
        words = f"{tray_words(room, first)}: {behind} the trays spread with it"
    elif found.factor is Factor.ROOM:
        words = f"The whole room, {trays_words(found.trays)}: {behind} its normal"
    else:
        name = " / ".join(found.names)
        words = f"{str(found.factor).capitalize()} {name}, {trays_words(found.trays)}: {behind}"
        words += " the others"
    if found.p_value is not None:
        words += f"; chance alone does that about once in {1 / found.p_value:.0f}"
    names = (first.run_id,) if found.factor is Factor.TRAY else found.names
    return Flag(
        key=flag_key(FlagKind.BEHIND, found.factor, *names),
        kind=FlagKind.BEHIND,
        level=Level.LOOK,
        trays=found.trays,
        since=since,
        latest_at=max(reading.photo.taken_at for _, reading in last),
        reason=words + ".",
        look_at=_LOOK_AT[found.factor],
        evidence=tuple(one for run, reading in last for one in at_once(run, reading)[:1]),
        strength=found.lag_days * len(found.trays),
    )


def _since(room: RoomState, run: RunState, *, by_cover: bool) -> datetime:
    readings = run.until(room.now)
    lags = [(one.photo.taken_at, _lag(run, one, by_cover=by_cover)) for one in readings]
    return behind_since([(moment, lag) for moment, lag in lags if lag is not None])


def without_germination(behind: Sequence[Flag], germination: Sequence[Flag]) -> list[Flag]:
    """Trays behind less the single ones whose poor germination says it already."""
    said = {tray for flag in germination for tray in flag.trays}
    return [flag for flag in behind if not (len(flag.trays) == 1 and said & set(flag.trays))]
