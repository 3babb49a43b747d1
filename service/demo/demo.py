"""The demonstration: nine days of photos played into a fresh room, and what was noticed."""

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from service.app import close_service, open_service
from service.context import Service, utc_now
from service.demo.demo_room import (
    FARM,
    TIME_ZONE,
    SamplePhoto,
    SampleRun,
    air_readings,
    enter_water,
    lay_out,
    water_cycles,
)
from service.flags.attention_watch import AttentionWatch
from service.flags.flag_log import flags
from service.log.file_lock import served_once
from service.models.flags import FlagOut
from service.models.runs import NewReading
from service.photos.ingest import IncomingPhoto, take_in, tell_watchers
from service.photos.inspector import Inspector
from service.room.things import READINGS
from service.settings import Settings

MARKER: Final = "TRAYVISION-DEMO.txt"
_MARKED: Final = "Made by `trayvision demo`, which removes this folder when it runs again.\n"
# After the evening's last look at the room, in its own time.
_EVENING: Final = time(20)


class DemoClock:
    """A clock that is set while the days are played, and then runs on from the last evening."""

    def __init__(self, now: datetime) -> None:
        self._now = now
        self._runs_since: datetime | None = None

    def __call__(self) -> datetime:
        """The demonstration's present moment, in UTC."""
        if self._runs_since is None:
            return self._now
        return self._now + (utc_now() - self._runs_since)

    def set(self, now: datetime) -> None:
        """Stand at a moment."""
        self._now = now.astimezone(UTC)

    def run_on(self) -> None:
        """Run from here at the pace of any clock."""
        self._runs_since = utc_now()


@dataclass(frozen=True)
class DemoDay:
    """What one day brought.

    Parameters
    ----------
    day : int
        Since spreading.
    date : datetime
        Its evening, in the room's time.
    noticed : tuple of FlagOut
        Flags that came up or became more urgent, in order of time.
    gone : tuple of FlagOut
        Flags whose cause is no longer there.
    standing : tuple of FlagOut
        Flags of days before that are still open, most urgent first.
    """

    day: int
    date: datetime
    noticed: tuple[FlagOut, ...]
    gone: tuple[FlagOut, ...]
    standing: tuple[FlagOut, ...]


def fresh_folder(folder: Path) -> None:
    """Make an empty folder for the demonstration's room.

    Raises
    ------
    ValueError
        If something else lies there: only what a demonstration made is removed.
    Conflict
        If a demonstration is at work there.
    """
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise ValueError(f"--data must be a folder, got {folder}")
    if folder.is_dir() and any(folder.iterdir()):
        if not (folder / MARKER).is_file():
            raise ValueError(
                f"--data must be a new folder or one that a demonstration made, got {folder}"
            )
        with served_once(folder):
            shutil.rmtree(folder)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / MARKER).write_text(_MARKED, encoding="utf-8")


def demo_settings(folder: Path, sample: SampleRun) -> Settings:
    """Settings of the invented room: in its own folder, whatever the environment says."""
    return Settings(
        data=folder,
        database_url=None,
        room_name=FARM,
        time_zone=TIME_ZONE,
        tray_size=sample.tray_size,
    )


def play(
    settings: Settings,
    sample: SampleRun,
    *,
    clock: DemoClock,
    inspector: Inspector | None = None,
    after_photo: Callable[[], object] = lambda: None,
) -> Iterator[DemoDay]:
    """Play a sample run into the room of a fresh folder, day by day.

    Parameters
    ----------
    settings : Settings
        Of a folder from `fresh_folder`.
    sample : SampleRun
    clock : DemoClock
        Stands at the last evening in the end.
    inspector : Inspector, optional
        Default the library's own.
    after_photo : callable
        Called once each photo is in.
    """
    clock.set(sample.spread_at)
    service = open_service(settings, inspector=inspector, clock=clock)
    try:
        shelves = lay_out(service, sample)
        watch = AttentionWatch(service, every_minutes=settings.attention_minutes)
        service.watchers.append(watch)
        said: dict[int, str] = {}
        for day, events in _by_day(_events(sample, shelves)):
            diary = _Diary(service, said)
            for at, happens in events:
                clock.set(at)
                if happens(service):
                    after_photo()
                diary.write()
            evening = datetime.combine(day, _EVENING, ZoneInfo(settings.time_zone))
            clock.set(max(evening, events[-1][0]))
            watch.look()
            diary.write()
            age = (day - sample.spread_at.date()).days
            yield DemoDay(age, evening, tuple(diary.noticed), tuple(diary.gone), diary.standing())
    finally:
        close_service(service)


@dataclass
class _Diary:
    """Flags that came up, rose or went since it was opened; `said` is kept from day to day."""

    service: Service
    said: dict[int, str]
    noticed: list[FlagOut] = field(default_factory=list)
    gone: list[FlagOut] = field(default_factory=list)
    open: dict[int, FlagOut] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.open = self._now()

    def write(self) -> None:
        """Write down what has changed."""
        now = self._now()
        for flag in now.values():
            level = flag.level or ""
            if self.said.get(flag.id) != level:
                self.said[flag.id] = level
                self.noticed.append(flag)
        self.gone += [flag for key, flag in self.open.items() if key not in now]
        self.open = now

    def standing(self) -> tuple[FlagOut, ...]:
        """What was open before and still is."""
        new = {flag.id for flag in self.noticed}
        return tuple(flag for key, flag in self.open.items() if key not in new)

    def _now(self) -> dict[int, FlagOut]:
        with self.service.database.read() as connection:
            return {flag.id: flag for flag in flags(connection, self.service.clock())}


# Says whether a photo came.
Happening = Callable[[Service], bool]
Event = tuple[datetime, Happening]


def _events(sample: SampleRun, shelves: dict[str, int]) -> list[Event]:
    """All that happens, in order; what happens at one moment in the order of this list."""
    events: list[Event] = []
    for at in water_cycles(sample):
        events.append((at, _water(at)))
    for at, readings in air_readings(sample, shelves):
        events.append((at, _air(readings)))
    for photo in sample.photos:
        events.append((photo.taken_at, _photo(photo)))
    return sorted(events, key=lambda event: event[0])


def _by_day(events: list[Event]) -> Iterator[tuple[date, list[Event]]]:
    days: dict[date, list[Event]] = {}
    for event in events:
        days.setdefault(event[0].date(), []).append(event)
    yield from sorted(days.items())


def _water(at: datetime) -> Happening:
    def happens(service: Service) -> bool:
        with service.database.write() as connection:
            enter_water(connection, at, service.entrant())
        return False

    return happens


def _air(readings: list[NewReading]) -> Happening:
    def happens(service: Service) -> bool:
        with service.database.write() as connection:
            for reading in readings:
                READINGS.add(connection, reading, service.entrant())
        tell_watchers(service, ())
        return False

    return happens


def _photo(photo: SamplePhoto) -> Happening:
    def happens(service: Service) -> bool:
        incoming = IncomingPhoto(
            name=photo.path.name,
            media_type="image/jpeg",
            content=photo.path.read_bytes(),
            camera=photo.camera,
        )
        take_in(service, incoming, service.entrant())
        return True

    return happens
