"""When a fixed camera takes its photos: around the water cycles, at noon, and in the light.

Clock times are the room's. On the day on which clocks go forward a time that does not exist is
taken an hour later; of a time that comes twice in autumn the first is meant. What lies before or
after a water cycle is counted in elapsed minutes.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from service.models.photos import Watering

# Clock times come back every day, so what has no shot within these days never has one.
_DAYS_AHEAD = 3
# So close to a cycle a photo is told apart as before or after it; judgement: growers speak of
# leaves that hang wet and root hairs that lie flat for about so long.
_TELLS_APART = timedelta(minutes=30)


@dataclass(frozen=True)
class WaterCycle:
    """Water runs every day from a clock time on, for some minutes."""

    at: time
    minutes: float = 0.0


@dataclass(frozen=True)
class LightSpan:
    """Lights are on every day from one clock time to another, over midnight where `off` is
    not later than `on`.
    """

    on: time
    off: time


@dataclass(frozen=True)
class CameraSchedule:
    """What one camera's shots are tied to.

    Parameters
    ----------
    zone : ZoneInfo
        The room's.
    cycles : tuple of WaterCycle
    lights : tuple of LightSpan
        Empty: it is always light enough.
    before, after : timedelta
        One shot so long before each cycle begins, one so long after it ends.
    also_at : tuple of time
        Further clock times, such as noon.

    Raises
    ------
    ValueError
        If `before` or `after` is negative.
    """

    zone: ZoneInfo
    cycles: tuple[WaterCycle, ...] = ()
    lights: tuple[LightSpan, ...] = ()
    before: timedelta = timedelta(minutes=5)
    after: timedelta = timedelta(minutes=15)
    also_at: tuple[time, ...] = (time(12),)

    def __post_init__(self) -> None:
        for name, value in (("before", self.before), ("after", self.after)):
            if value < timedelta(0):
                raise ValueError(f"{name} must not be negative, got {value!r}")


def next_shots(schedule: CameraSchedule, now: datetime, *, count: int = 1) -> list[datetime]:
    """The next moments, in UTC, at which a photo is due; none where the schedule has none.

    Parameters
    ----------
    schedule : CameraSchedule
    now : aware datetime
        Shots are later than that.
    count : int
        At most so many.
    """
    today = now.astimezone(schedule.zone).date()
    found: list[datetime] = []
    # A shot before or after a cycle may lie on the day beside the cycle's own.
    days_between = _DAYS_AHEAD + count
    for offset in range(-1, days_between):
        found += _shots_of_day(schedule, today + timedelta(days=offset))
    return sorted({shot for shot in found if shot > now})[:count]


def latest_shot(schedule: CameraSchedule, now: datetime) -> datetime | None:
    """The last moment up to now, in UTC, at which a photo was due; None where there was none."""
    shots = shots_between(schedule, now - timedelta(days=_DAYS_AHEAD), now)
    return shots[-1] if shots else None


def shots_between(schedule: CameraSchedule, since: datetime, until: datetime) -> list[datetime]:
    """Moments later than `since` and not later than `until` at which photos were due."""
    first = since.astimezone(schedule.zone).date() - timedelta(days=1)
    last = until.astimezone(schedule.zone).date() + timedelta(days=1)
    found: set[datetime] = set()
    for offset in range((last - first).days + 1):
        found |= set(_shots_of_day(schedule, first + timedelta(days=offset)))
    return sorted(shot for shot in found if since < shot <= until)


def is_lit(schedule: CameraSchedule, moment: datetime) -> bool:
    """Whether the lights are on at a moment."""
    if not schedule.lights:
        return True
    day = moment.astimezone(schedule.zone).date()
    for offset in (-1, 0):
        for span in schedule.lights:
            on = _moment(schedule, day + timedelta(days=offset), span.on)
            ends = day + timedelta(days=offset + (span.off <= span.on))
            if on <= moment < _moment(schedule, ends, span.off):
                return True
    return False


def watering_at(schedule: CameraSchedule, moment: datetime) -> Watering:
    """Whether a photo of that moment is one before or after watering; unknown far from both."""
    day = moment.astimezone(schedule.zone).date()
    cycles = [
        span for offset in (-1, 0, 1) for span in _cycles(schedule, day + timedelta(days=offset))
    ]
    if any(begins <= moment < ends for begins, ends in cycles):
        return Watering.UNKNOWN
    since_water = min((moment - ends for _, ends in cycles if ends <= moment), default=None)
    to_water = min((begins - moment for begins, _ in cycles if begins > moment), default=None)
    after = since_water is not None and since_water <= max(_TELLS_APART, schedule.after)
    before = to_water is not None and to_water <= max(_TELLS_APART, schedule.before)
    if after and before:
        return Watering.UNKNOWN
    return Watering.AFTER if after else Watering.BEFORE if before else Watering.UNKNOWN


def _shots_of_day(schedule: CameraSchedule, day: date) -> Iterator[datetime]:
    """Shots that belong to a day's clock times, in no order."""
    shots = [_moment(schedule, day, clock) for clock in schedule.also_at]
    for begins, ends in _cycles(schedule, day):
        shots += [begins - schedule.before, ends + schedule.after]
    return (shot for shot in shots if is_lit(schedule, shot))


def _cycles(schedule: CameraSchedule, day: date) -> Iterator[tuple[datetime, datetime]]:
    for cycle in schedule.cycles:
        begins = _moment(schedule, day, cycle.at)
        yield begins, begins + timedelta(minutes=cycle.minutes)


def _moment(schedule: CameraSchedule, day: date, clock: time) -> datetime:
    return datetime.combine(day, clock, schedule.zone).astimezone(UTC)
