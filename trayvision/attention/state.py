"""What the reasons to look are worked out from: the room as its log knows it at one moment.

Plain frozen dataclasses that a log fills; nothing here reads a clock, a file or a database.
"""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from functools import cached_property

from trayvision.attention.readings import TrayReading
from trayvision.quality_flags import Doubt
from trayvision.warning.early_warning import WarningRates


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a tray stands from a moment on; level 1 is the top of its rack."""

    placed_at: datetime
    shelf: str
    rack: str | None = None
    level: int | None = None
    position: str | None = None
    water_path: str | None = None


@dataclass(frozen=True, slots=True)
class HarvestDue:
    """Forecast of the moment at which the target is met; an end is None where it is "never"."""

    median: datetime
    low: datetime | None = None
    high: datetime | None = None


@dataclass(frozen=True)
class RunState:
    """One growing run of a tray.

    Parameters
    ----------
    run_id : str
    tray : int
    spread_at : datetime
    readings, placements : tuple, in any order
    lots : tuple of str
        Seed lots in the tray.
    grain : str
    usual_cover, usual_height_mm : mapping of day to a share and to mm
        The room's own normal for this grain; the published ranges where empty.
    opening_mm : (length, width)
    target_shoot_height_mm, target_day : float or None
    harvest : HarvestDue or None
    counted_from : datetime or None
        Day 0 as the room says it; None where it counts from spreading.
    in_tray_from : datetime or None
        Since when a part of another tray lies in this one; None where it was spread in it.

    Raises
    ------
    ValueError
        If `spread_at` has no time zone.
    """

    run_id: str
    tray: int
    spread_at: datetime
    readings: tuple[TrayReading, ...] = ()
    placements: tuple[Placement, ...] = ()
    lots: tuple[str, ...] = ()
    grain: str = ""
    usual_cover: Mapping[float, float] = field(default_factory=dict)
    usual_height_mm: Mapping[float, float] = field(default_factory=dict)
    opening_mm: tuple[float, float] = (540.0, 280.0)
    target_shoot_height_mm: float | None = None
    target_day: float | None = None
    harvest: HarvestDue | None = None
    counted_from: datetime | None = None
    in_tray_from: datetime | None = None

    def __post_init__(self) -> None:
        if self.spread_at.tzinfo is None:
            raise ValueError(f"spread_at must have a time zone, got {self.spread_at!r}")

    def day_at(self, moment: datetime) -> float:
        """Days since spreading."""
        return (moment - self.spread_at) / timedelta(days=1)

    def said_day(self, moment: datetime) -> int:
        """The day that the room's people call it, 0 before it began.

        A day begins at midnight in the time zone of the moment, as on a wall calendar.
        """
        begun = (self.counted_from or self.spread_at).astimezone(moment.tzinfo)
        return max(0, (moment.date() - begun.date()).days)

    def until(self, moment: datetime) -> tuple[TrayReading, ...]:
        """Readings up to a moment, in order of time, each photo once."""
        count = bisect_right(self._in_order, moment, key=lambda one: one.photo.taken_at)
        return self._in_order[:count]

    @cached_property
    def _in_order(self) -> tuple[TrayReading, ...]:
        by_photo = {(one.photo.taken_at, one.photo.photo_id): one for one in self.readings}
        return tuple(by_photo[key] for key in sorted(by_photo))

    def placement_at(self, moment: datetime) -> Placement | None:
        """Where the tray stands at a moment."""
        known = [one for one in self.placements if one.placed_at <= moment]
        return max(known, key=lambda one: one.placed_at, default=None)


@dataclass(frozen=True, slots=True)
class CameraState:
    """One fixed camera.

    Parameters
    ----------
    name : str
    shelf : str or None
    last_photo_at : datetime or None
    silent_after : timedelta
        Without a photo for longer than that it counts as silent.
    doubts : tuple of Doubt
        Of its latest photo.
    moved : bool
        The trays in view lie elsewhere than in its earlier photos.
    lost_trays : tuple of int
        Trays of its earlier photos, where its latest ones show no tray at all.
    lost_at : datetime or None
        Of the first of those latest photos.
    """

    name: str
    shelf: str | None = None
    last_photo_at: datetime | None = None
    silent_after: timedelta = timedelta(hours=8)
    doubts: tuple[Doubt, ...] = ()
    moved: bool = False
    lost_trays: tuple[int, ...] = ()
    lost_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class AirReading:
    """One reading of air; `shelf` None stands for the room.

    Lowest and highest are those since the instrument was set back.
    """

    read_at: datetime
    shelf: str | None = None
    temperature_c: float | None = None
    temperature_low_c: float | None = None
    temperature_high_c: float | None = None
    humidity_percent: float | None = None
    humidity_low_percent: float | None = None
    humidity_high_percent: float | None = None


class AnswerKind(StrEnum):
    """What a person said to a flag."""

    DONE = "done"
    SNOOZE = "snooze"
    RIGHT = "right"
    WRONG = "wrong"


class Level(StrEnum):
    """How urgent a flag is."""

    NOTE = "note"
    LOOK = "look"
    HOLD = "hold"


@dataclass(frozen=True, slots=True)
class Answer:
    """What a person said to a flag, with the flag as it stood then.

    Parameters
    ----------
    flag_key : str
    kind : AnswerKind
    said_at : datetime
    until : datetime or None
        Of a snooze.
    cause : str or None
        "No, it was …": root hairs, glare, husks or own words.
    level : Level
    strength : float
    trays : tuple of int
        These three of the flag when it was answered; no trays where they are not known.
    """

    flag_key: str
    kind: AnswerKind
    said_at: datetime
    until: datetime | None = None
    cause: str | None = None
    level: Level = Level.LOOK
    strength: float = 0.0
    trays: tuple[int, ...] = ()


@dataclass(frozen=True)
class RoomState:
    """The room at one moment.

    Parameters
    ----------
    now : datetime
        In the room's own time zone: sentences tell times in it.
    runs : tuple of RunState
        Open ones.
    taken : tuple of RunState
        Those that ended in the last days: their trays are compared with what grows of their batch.
    cameras : tuple of CameraState
    air : tuple of AirReading
    answers : tuple of Answer
    photo_every : timedelta
        How often each tray should be photographed.
    in_fahrenheit : bool
        Whether its people read temperatures in °F, else in °C.
    rates : WarningRates

    Raises
    ------
    ValueError
        If `now` has no time zone, or two open runs carry one tray number.
    """

    now: datetime
    runs: tuple[RunState, ...] = ()
    taken: tuple[RunState, ...] = ()
    cameras: tuple[CameraState, ...] = ()
    air: tuple[AirReading, ...] = ()
    answers: tuple[Answer, ...] = ()
    photo_every: timedelta = timedelta(hours=24)
    in_fahrenheit: bool = False
    rates: WarningRates = field(default_factory=WarningRates)

    def __post_init__(self) -> None:
        if self.now.tzinfo is None:
            raise ValueError(f"now must have a time zone, got {self.now!r}")
        trays = [run.tray for run in self.runs]
        twice = sorted({tray for tray in trays if trays.count(tray) > 1})
        if twice:
            raise ValueError(f"runs must hold one open run a tray, got two of {twice}")

    def batch_of(self, run: RunState) -> str:
        """The trays spread on one day of the room from one grain, by name."""
        return f"{run.spread_at.astimezone(self.now.tzinfo).date()} {run.grain}".strip()

    def siblings_of(self, run: RunState) -> tuple[RunState, ...]:
        """The other trays of a run's batch."""
        batch = self._batches.get(self.batch_of(run), ())
        return tuple(other for other in batch if other is not run)

    @cached_property
    def _batches(self) -> dict[str, list[RunState]]:
        batches: dict[str, list[RunState]] = defaultdict(list)
        for run in self.runs:
            batches[self.batch_of(run)].append(run)
        return dict(batches)

    def shelf_of(self, run: RunState) -> str | None:
        """Where a run's tray stands now."""
        placement = run.placement_at(self.now)
        return None if placement is None else placement.shelf
