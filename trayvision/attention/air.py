"""Reasons that lie in the air of the room: as it is, as it was read last, as far as it went.

Who reads a thermometer by hand knows the air twice a day, and of the hours between only the
lowest and the highest. So a reading beyond a limit stands until a newer one says otherwise, and
the lowest and highest that came with it count as well.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum, auto
from itertools import takewhile
from typing import Final

from trayvision.attention.air_bands import AIR_BANDS, AirBand
from trayvision.attention.flags import Flag, FlagKind, flag_key, moment_words
from trayvision.attention.state import AirReading, Level, RoomState

# Readings of one round; with an older one nobody knows how the air is now.
AIR_FRESH: Final = timedelta(hours=6)
# A reading says nothing of the air any more once it is older than that; judgement.
_LAST_WORD: Final = timedelta(days=2)
# Air that went so far beyond its limit stood beyond it for hours; judgement.
_FAR_C: Final = 5.0


# Of one cause, more or less of it.
_HOT: Final = frozenset({"hot", "too hot"})
_COLD: Final = frozenset({"cold", "freezing"})
_ROOM: Final = "room"
_SHELF: Final = "shelf"
_READ_AGAIN: Final = "Nobody has read it since: read it again now."
_FIND_OUT: Final = (
    "Find out when and why, and look over the trays there. Set the thermometer's lowest and "
    "highest back at each reading."
)


class _When(Enum):
    """Of which time it is known."""

    NOW = auto()
    WHEN_READ = auto()
    BEFORE = auto()


@dataclass(frozen=True, slots=True)
class _Beyond:
    """Air beyond a band; read at `read_at`, first known at `latest_at` to be what it was."""

    band: AirBand
    when: _When
    since: datetime
    latest_at: datetime
    read_at: datetime
    value: float
    pressing: bool = True


def air_flags(room: RoomState) -> list[Flag]:
    """One flag a place, or one for the room where every place read is beyond a limit."""
    standing = _standing_readings(room)
    beyond = {
        place: found
        for place, readings in standing.items()
        if (found := _all_beyond(room, readings))
    }
    newest = max((readings[-1].read_at for readings in standing.values()), default=room.now)
    # A shelf that was left out of the last round speaks neither for the room nor against it.
    round_ = {place for place, found in standing.items() if newest - found[-1].read_at <= AIR_FRESH}
    shared = _shared_words(beyond, len(round_ | beyond.keys()))
    flags = []
    if shared:
        everywhere = [one for found in beyond.values() for one in found if one.band.word in shared]
        flags.append(_air_flag(room, None, everywhere))
    for place, found in beyond.items():
        own = [one for one in found if one.band.word not in shared]
        # The same place may be hot with the room and dry by itself: that is another cause.
        if own:
            flags.append(_air_flag(room, place, own))
    return flags


def air_key(place: str | None) -> str:
    """Key of the flag of a place's air, None for the room; no shelf has the key of the room."""
    if place is None:
        return flag_key(FlagKind.HOT_OR_HUMID, _ROOM)
    alike = place == _ROOM or place.startswith(f"{_SHELF}/")
    return flag_key(FlagKind.HOT_OR_HUMID, *([_SHELF] if alike else []), place)


def cold_trays(room: RoomState) -> set[int]:
    """Trays that stand where it is too cold to keep pace."""
    cold = {
        place
        for place, readings in _standing_readings(room).items()
        if any(
            one.band.word in _COLD and one.when is not _When.BEFORE
            for one in _all_beyond(room, readings)
        )
    }
    return {run.tray for run in room.runs if None in cold or room.shelf_of(run) in cold}


def _standing_readings(room: RoomState) -> dict[str | None, list[AirReading]]:
    """Readings of each place that was read in the last days, oldest first."""
    places: dict[str | None, list[AirReading]] = defaultdict(list)
    for reading in sorted(room.air, key=lambda one: one.read_at):
        if reading.read_at <= room.now:
            places[reading.shelf].append(reading)
    return {
        place: readings
        for place, readings in places.items()
        if room.now - readings[-1].read_at <= _LAST_WORD
    }


def _shared_words(beyond: dict[str | None, list[_Beyond]], places: int) -> set[str]:
    """What is beyond at every place of a room with several: then the room is the cause."""
    if places < 2 or len(beyond) < places:
        return set()
    words = [{one.band.word for one in found} for found in beyond.values()]
    shared = set.intersection(*words)
    for alike in (_HOT, _COLD):
        if all(one & alike for one in words):
            shared |= alike
    return shared


def _all_beyond(room: RoomState, readings: Sequence[AirReading]) -> list[_Beyond]:
    """The worst of each side as it was read, and how far it went where that was worse still."""
    found: dict[tuple[str, bool], _Beyond] = {}
    farther: dict[tuple[str, bool], _Beyond] = {}
    for band in AIR_BANDS:
        if band.side not in found and (one := _as_read(room, readings, band)) is not None:
            found[band.side] = one
        known = band.side in found or band.side in farther
        if not known and (went := _went_beyond(room, readings, band)) is not None:
            farther[band.side] = went
    return [*found.values(), *farther.values()]


def _as_read(room: RoomState, readings: Sequence[AirReading], band: AirBand) -> _Beyond | None:
    known = [one for one in readings if getattr(one, band.quantity) is not None]
    row = list(takewhile(lambda one: band.beyond(getattr(one, band.quantity)), reversed(known)))
    if not row or row[0].read_at - row[-1].read_at < band.lasting:
        return None
    last = row[0]
    age = room.now - last.read_at
    if age > _LAST_WORD:
        return None
    fresh = age <= AIR_FRESH
    return _Beyond(
        band=band,
        when=_When.NOW if fresh else _When.WHEN_READ,
        since=row[-1].read_at,
        latest_at=last.read_at,
        read_at=last.read_at,
        value=float(getattr(last, band.quantity)),
        pressing=fresh or band.acute,
    )


def _went_beyond(room: RoomState, readings: Sequence[AirReading], band: AirBand) -> _Beyond | None:
    """What the last reading says of the time before it.

    A lowest or highest that nobody set back is the same one still: it counts from the reading that
    brought it, so that what was answered to it holds.
    """
    known = [
        one
        for one in readings
        if getattr(one, band.quantity) is not None or getattr(one, band.extreme) is not None
    ]
    last = known[-1] if known else None
    value: float | None = None if last is None else getattr(last, band.extreme)
    if (
        last is None
        or value is None
        or not band.beyond(value)
        or room.now - last.read_at > _LAST_WORD
    ):
        return None
    same = list(takewhile(lambda one: getattr(one, band.extreme) == value, reversed(known)))
    far = band.in_degrees and abs(value - band.limit) >= _FAR_C
    lasting = band.lasting and not far and not band.beyond(getattr(last, band.quantity))
    return _Beyond(
        band=band,
        when=_When.BEFORE,
        since=same[-1].read_at,
        latest_at=same[-1].read_at,
        read_at=same[-1].read_at,
        value=float(value),
        pressing=not lasting,
    )


def _air_flag(room: RoomState, place: str | None, found: Sequence[_Beyond]) -> Flag:
    worst = _worst(found)
    trays = [run.tray for run in room.runs if place is None or room.shelf_of(run) == place]
    return Flag(
        key=air_key(place),
        kind=FlagKind.HOT_OR_HUMID,
        level=Level.LOOK if any(one.pressing for one in worst) else Level.NOTE,
        trays=tuple(sorted(trays)),
        since=min(one.since for one in found),
        latest_at=max(one.latest_at for one in found),
        reason=_reason(room, place, worst, found),
        look_at=" ".join(dict.fromkeys(_advice(one) for one in worst)),
        strength=float(len(AIR_BANDS) - min(AIR_BANDS.index(one.band) for one in found)),
        air=tuple(one.band.word for one in worst if one.when is not _When.BEFORE),
    )


def _worst(found: Sequence[_Beyond]) -> list[_Beyond]:
    """The worst of each side and time; of several places what is known of the air now."""
    worst: dict[tuple[tuple[str, bool], bool], _Beyond] = {}
    now = {one.band.side for one in found if one.when is _When.NOW}
    for one in sorted(found, key=lambda each: AIR_BANDS.index(each.band)):
        if one.when is not _When.WHEN_READ or one.band.side not in now:
            worst.setdefault((one.band.side, one.when is _When.BEFORE), one)
    return list(worst.values())


def _reason(
    room: RoomState, place: str | None, worst: Sequence[_Beyond], found: Sequence[_Beyond]
) -> str:
    clauses = []
    for when in _When:
        these = [one for one in worst if one.when is when]
        if not these:
            continue
        parts = " and ".join(_part(room, one) for one in these)
        since = min(one.since for one in found if one.when is when)
        read_at = moment_words(room, max(one.read_at for one in these))
        clauses.append(
            {
                _When.NOW: f"has been {parts} since {moment_words(room, since)}",
                _When.WHEN_READ: f"was {parts} when it was read {read_at}, and not read since",
                _When.BEFORE: f"went {parts} before it was read {read_at}",
            }[when]
        )
    return f"{place or 'The room'} {'; it '.join(clauses)}."


def _part(room: RoomState, one: _Beyond) -> str:
    value = f"{one.value:.0f} %"
    if one.band.in_degrees:
        value = f"{one.value * 1.8 + 32:.0f} °F" if room.in_fahrenheit else f"{one.value:.0f} °C"
    if one.when is _When.BEFORE:
        return f"{'up' if one.band.above else 'down'} to {value} ({one.band.word})"
    return f"{one.band.word} ({value})"


def _advice(one: _Beyond) -> str:
    if one.when is _When.NOW:
        return one.band.advice
    return _READ_AGAIN if one.when is _When.WHEN_READ else _FIND_OUT
