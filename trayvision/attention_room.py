"""Reasons that lie in the room and not in a tray: its air, and what was not looked at."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from trayvision.attention_flags import Flag, FlagKind, flag_key, moment_words, trays_words
from trayvision.attention_state import AirReading, Level, RoomState, RunState

# With the last reading of a place older than that, nothing is said about its air.
_AIR_STALE: Final = timedelta(hours=6)
_LATE_PHOTO: Final = 1.5


@dataclass(frozen=True, slots=True)
class AirBand:
    """One alarm band, judgement to start with: beyond the limit for so long.

    Parameters
    ----------
    word : str
        What the place is.
    quantity : str
        Field of `AirReading`.
    limit : float
    above : bool
        Whether beyond means above.
    lasting : timedelta
        0: one reading is enough.
    advice : str
    """

    word: str
    quantity: str
    limit: float
    above: bool
    lasting: timedelta
    advice: str

    def beyond(self, reading: AirReading) -> bool:
        """Whether a reading lies beyond the limit."""
        value = getattr(reading, self.quantity)
        return value is not None and (value > self.limit if self.above else value < self.limit)


_TWO_HOURS, _SIX_HOURS = timedelta(hours=2), timedelta(hours=6)
# Most urgent first; published optimum for barley 19.7 °C and 62 % humidity, agency guide 17 to
# 24 °C and 40 to 80 %; limits and durations are judgement.
AIR_BANDS: Final = (
    AirBand(
        "too hot", "temperature_c", 27.0, True, timedelta(0),
        "Cool it now; seed stops sprouting and mould runs ahead.",
    ),
    AirBand(
        "hot", "temperature_c", 24.0, True, _TWO_HOURS,
        "Look at the fan, the lights and the cooling.",
    ),
    AirBand(
        "freezing", "temperature_c", 0.0, False, timedelta(0),
        "Warm it now; seed and water lines freeze.",
    ),
    AirBand(
        "cold", "temperature_c", 13.0, False, _TWO_HOURS,
        "Look at the heating and the draught.",
    ),
    AirBand(
        "humid", "humidity_percent", 80.0, True, _SIX_HOURS,
        "Look at the fan and the exhaust.",
    ),
    AirBand(
        "dry", "humidity_percent", 45.0, False, timedelta(0),
        "Look at the humidifier; seed dries out first.",
    ),
)  # fmt: skip
# Of one cause, more or less of it.
_HOT: Final = frozenset({"hot", "too hot"})
_COLD: Final = frozenset({"cold", "freezing"})


@dataclass(frozen=True, slots=True)
class _Beyond:
    band: AirBand
    since: datetime
    latest_at: datetime
    value: float


def air_flags(room: RoomState) -> list[Flag]:
    """One flag a place, or one for the room where every place read is beyond a limit."""
    fresh = _fresh_readings(room)
    beyond = {place: found for place, readings in fresh.items() if (found := _all_beyond(readings))}
    shared = _shared_words(beyond, len(fresh))
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


def cold_trays(room: RoomState) -> set[int]:
    """Trays that stand where it is too cold to keep pace."""
    cold = {
        place
        for place, readings in _fresh_readings(room).items()
        if any(one.band.word in _COLD for one in _all_beyond(readings))
    }
    return {run.tray for run in room.runs if None in cold or room.shelf_of(run) in cold}


def _fresh_readings(room: RoomState) -> dict[str | None, list[AirReading]]:
    """Readings of each place that was read lately, oldest first."""
    places: dict[str | None, list[AirReading]] = defaultdict(list)
    for reading in sorted(room.air, key=lambda one: one.read_at):
        if reading.read_at <= room.now:
            places[reading.shelf].append(reading)
    return {
        place: readings
        for place, readings in places.items()
        if room.now - readings[-1].read_at <= _AIR_STALE
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


def _all_beyond(readings: Sequence[AirReading]) -> list[_Beyond]:
    found: dict[str, _Beyond] = {}
    for band in AIR_BANDS:
        one = _beyond(readings, band)
        side = f"{band.quantity}{band.above}"
        if one is not None:
            found.setdefault(side, one)
    return list(found.values())


def _beyond(readings: Sequence[AirReading], band: AirBand) -> _Beyond | None:
    known = [one for one in readings if getattr(one, band.quantity) is not None]
    first = len(known)
    while first and band.beyond(known[first - 1]):
        first -= 1
    row = known[first:]
    if not row or row[-1].read_at - row[0].read_at < band.lasting:
        return None
    value = getattr(row[-1], band.quantity)
    return _Beyond(band, row[0].read_at, row[-1].read_at, float(value))


def _value_words(room: RoomState, beyond: _Beyond) -> str:
    if "temp" not in beyond.band.quantity:
        return f"{beyond.value:.0f} %"
    if room.in_fahrenheit:
        return f"{beyond.value * 1.8 + 32:.0f} °F"
    return f"{beyond.value:.0f} °C"


def _air_flag(room: RoomState, place: str | None, found: Sequence[_Beyond]) -> Flag:
    name = place or "The room"
    worst: dict[str, _Beyond] = {}
    for one in sorted(found, key=lambda each: AIR_BANDS.index(each.band)):
        worst.setdefault(f"{one.band.quantity}{one.band.above}", one)
    parts = [f"{one.band.word} ({_value_words(room, one)})" for one in worst.values()]
    since = min(one.since for one in found)
    trays = [run.tray for run in room.runs if place is None or room.shelf_of(run) == place]
    return Flag(
        key=flag_key(FlagKind.HOT_OR_HUMID, place or "room"),
        kind=FlagKind.HOT_OR_HUMID,
        level=Level.LOOK,
        trays=tuple(sorted(trays)),
        since=since,
        latest_at=max(one.latest_at for one in found),
        reason=f"{name} is {' and '.join(parts)} since {moment_words(room, since)}.",
        look_at=" ".join(one.band.advice for one in worst.values()),
        strength=float(len(AIR_BANDS) - min(AIR_BANDS.index(one.band) for one in found)),
    )


def no_photo_flags(room: RoomState, cameras: Sequence[Flag]) -> list[Flag]:
    """One flag for all trays without a photo that could be judged, less those behind a camera's
    own flag.
    """
    explained = {tray for flag in cameras for tray in flag.trays}
    late = []
    for run in room.runs:
        since = _last_usable(room, run)
        if run.tray not in explained and room.now - since > _LATE_PHOTO * room.photo_every:
            late.append((since, run))
    if not late:
        return []
    since = min(moment for moment, _ in late)
    trays = sorted(run.tray for _, run in late)
    unusable = any(run.until(room.now)[-1:] and _newer(room, run, m) for m, run in late)
    words = trays_words(trays)
    reason = (
        f"No photo that could be judged of {words}, since {moment_words(room, since)} or later."
    )
    look_at = (
        "Photograph them." if not unusable else "Photograph them again, sharp and in white light."
    )
    return [
        Flag(
            key=flag_key(FlagKind.NO_PHOTO, "room"),
            kind=FlagKind.NO_PHOTO,
            level=Level.LOOK,
            trays=tuple(trays),
            since=since,
            latest_at=room.now,
            reason=reason,
            look_at=look_at,
            strength=float(len(trays)),
        )
    ]


def _last_usable(room: RoomState, run: RunState) -> datetime:
    usable = [
        one.photo.taken_at
        for one in run.until(room.now)
        if one.photo.smallest_patch_mm is not None and one.photo.seen > 0
    ]
    return usable[-1] if usable else run.in_tray_from or run.spread_at


def _newer(room: RoomState, run: RunState, usable_at: datetime) -> bool:
    """Whether there was a photo after the last usable one."""
    return run.until(room.now)[-1].photo.taken_at > usable_at
