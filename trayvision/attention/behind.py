"""Trays, shelves, lots or the whole room behind: each cause once."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from statistics import median
from typing import Final

from trayvision.attention.flags import (
    Flag,
    FlagKind,
    at_once,
    flag_key,
    tray_words,
    trays_words,
)
from trayvision.attention.growth import ONE_ROUND, RECENT
from trayvision.attention.readings import TrayReading
from trayvision.attention.siblings import (
    COVER_TELLS,
    Behind,
    Factor,
    TrayLag,
    behind_since,
    find_behind,
)
from trayvision.attention.state import Level, RoomState, RunState
from trayvision.attention.usual import UsualGrowth

_FIRST_COMPARED_DAY: Final = 3.0
_LAST_COMPARED_DAY: Final = 9.0


def behind_flags(room: RoomState) -> list[Flag]:
    """Trays, shelves, lots or the whole room behind; each tray in one flag."""
    latest = {run.tray: found for run in room.runs if (found := _last_measured(room, run))}
    upto = _all_seen_until(room, latest)
    last = {
        run.tray: found
        for run in room.runs
        if run.tray in latest
        and (found := _last_measured(room, run, upto=upto[room.batch_of(run)]))
    }
    compared = [run for run in room.runs if run.tray in last and _is_compared(run, last[run.tray])]
    own_normal = all(_usual(run).is_own for run in compared)
    runs = {run.tray: run for run in compared}
    taken = _taken_of(room, {room.batch_of(run) for run in compared})
    flags: list[Flag] = []
    for by_cover in _told_by_cover(room, [*((run, last[run.tray]) for run in compared), *taken]):
        lags = _lags(room, compared, upto=upto, by_cover=by_cover)
        ends = {room.batch_of(run): room.now for run, _ in taken}
        gone = _lags(room, [run for run, _ in taken], upto=ends, by_cover=by_cover)
        lags += [replace(one, shelf=None, taken=True) for one in gone]
        said = {tray for flag in flags for tray in flag.trays}
        for one in find_behind(lags, own_normal=own_normal):
            if said.isdisjoint(one.trays):
                seen = [(runs[tray], last[tray]) for tray in one.trays]
                flags.append(_behind_flag(room, _with_own_lot(one, lags), seen))
    return flags


def _taken_of(room: RoomState, batches: set[str]) -> list[tuple[RunState, TrayReading]]:
    """Trays of some batches that no longer grow, each as it was photographed last.

    Without them a batch of which some were taken would be too few to tell which of the rest lags.
    """
    seen = [
        (run, readings[-1])
        for run in room.taken
        if room.batch_of(run) in batches and (readings := run.until(room.now))
    ]
    return [(run, reading) for run, reading in seen if _is_compared(run, reading)]


def _lags(
    room: RoomState, runs: Sequence[RunState], *, upto: Mapping[str, datetime], by_cover: set[str]
) -> list[TrayLag]:
    lags = []
    for run in runs:
        batch = room.batch_of(run)
        lag = _agreed_lag(run, upto=upto[batch], by_cover=batch in by_cover)
        if lag is not None:
            lots = "+".join(sorted(run.lots)) or None
            lags.append(TrayLag(run.tray, lag, batch, room.shelf_of(run), lots))
    return lags


def _with_own_lot(found: Behind, lags: Sequence[TrayLag]) -> Behind:
    """A single tray's finding names the seed lot that it alone has: its lag may be the seed's."""
    if found.factor is not Factor.TRAY:
        return found
    own = {one.lot for one in lags if one.tray in found.trays} - {None}
    others = {one.lot for one in lags if one.tray not in found.trays} - {None}
    names = tuple(lot for lot in own - others if lot is not None) if others else ()
    return replace(found, names=names)


def _is_compared(run: RunState, reading: TrayReading) -> bool:
    last_day = (run.target_day or _LAST_COMPARED_DAY) + 1
    return _FIRST_COMPARED_DAY <= run.day_at(reading.photo.taken_at) <= last_day


def _usual(run: RunState) -> UsualGrowth:
    return UsualGrowth(run.usual_cover, run.usual_height_mm)


def _told_by_cover(room: RoomState, last: Sequence[tuple[RunState, TrayReading]]) -> list[set[str]]:
    """Batches told by cover, the others by height; each batch's trays all by one measure.

    First those in which most trays' cover still rises, then, where these are more, those in which
    any tray's does. By the second alone a tray that lags would keep its batch at the measure of
    which its siblings have their fill, and so hide itself; by the first, one without a height.
    """
    covers: dict[str, list[float]] = defaultdict(list)
    for run, reading in last:
        if reading.photo.cover is not None:
            covers[room.batch_of(run)].append(reading.photo.cover)
    most = {batch for batch, found in covers.items() if median(found) <= COVER_TELLS}
    some = {batch for batch, found in covers.items() if min(found) <= COVER_TELLS}
    return [most] if most == some else [most, some]


def _all_seen_until(room: RoomState, latest: dict[int, TrayReading]) -> dict[str, datetime]:
    """Up to when each batch is compared: while a round of photos goes on, as of the one before.

    Else trays whose new photo came would be held against yesterday's of the others.
    """
    until: dict[str, datetime] = {}
    for run in room.runs:
        if run.tray in latest:
            moment = latest[run.tray].photo.taken_at + ONE_ROUND
            until[room.batch_of(run)] = min(moment, until.get(room.batch_of(run), room.now))
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
_LOT_TOO: Final = " It may be its seed as well: test that lot's germination before soaking more."


def _behind_flag(
    room: RoomState,
    found: Behind,
    last: Sequence[tuple[RunState, TrayReading]],
) -> Flag:
    first = last[0][0]
    since = min(_since(room, run) for run, _ in last)
    behind = f"{found.lag_days:.1f} days behind"
    single = found.factor is Factor.TRAY
    if single:
        words = f"{tray_words(room, first)}: {behind} the trays spread with it"
        words += "".join(f"; it alone has seed lot {lot}" for lot in found.names)
    elif found.factor is Factor.ROOM:
        all_of_it = "The room" if found.compared > len(found.trays) else "The whole room"
        words = f"{all_of_it}, {_named(found)}: {behind} its normal"
    else:
        name = " / ".join(found.names)
        words = f"{str(found.factor).capitalize()} {name}, {_named(found)}: {behind}"
        words += " the others"
    if found.p_value is not None:
        words += f"; chance alone does that about once in {1 / found.p_value:.0f}"
    elif not single:
        words += "; their batches stand nowhere else, so it may be the batch"
    names = (first.run_id,) if single else found.names
    return Flag(
        key=flag_key(FlagKind.BEHIND, found.factor, *names),
        kind=FlagKind.BEHIND,
        level=Level.LOOK,
        trays=found.trays,
        since=since,
        latest_at=max(reading.photo.taken_at for _, reading in last),
        reason=words + ".",
        look_at=_LOOK_AT[found.factor] + (_LOT_TOO if single and found.names else ""),
        evidence=tuple(one for run, reading in last for one in at_once(run, reading)),
        strength=found.lag_days * len(found.trays),
    )


def _named(found: Behind) -> str:
    """The trays that are behind, and of how many where the others are on time."""
    words = trays_words(found.trays)
    return words if found.compared == len(found.trays) else f"{words} of {found.compared} compared"


def _since(room: RoomState, run: RunState) -> datetime:
    """When a tray fell behind the usual.

    By what tells the days of this tray at each photo, not by what its batch is told by just now:
    else the past would change with its siblings.
    """
    lags = []
    for one in run.until(room.now):
        rises = one.photo.cover is not None and one.photo.cover <= COVER_TELLS
        known = (_lag(run, one, by_cover=by_cover) for by_cover in (rises, not rises))
        lags += [(one.photo.taken_at, lag) for lag in known if lag is not None][:1]
    return behind_since(lags)


def without_germination(behind: Sequence[Flag], germination: Sequence[Flag]) -> list[Flag]:
    """Trays behind less the single ones whose poor germination says it already."""
    said = {tray for flag in germination for tray in flag.trays}
    return [flag for flag in behind if not (len(flag.trays) == 1 and said & set(flag.trays))]
