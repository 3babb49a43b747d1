"""How a tray grows, in words: against what is usual for its age, and since its photo before."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Final

import numpy as np

from service.growth.room_usual import usual_growth
from service.growth.run_series import RunReadings, RunSeries
from service.models.growth import CurvePoint
from service.pages.words import Say
from trayvision.attention.growth import RECENT
from trayvision.growth.prior import Quantity
from trayvision.score.expectations import SHOOT_HEIGHT, days_ahead, days_behind

# Photos of one round, before and after watering, show no growth between them.
_APART: Final = timedelta(hours=6)
# Before that, shoots are too short to be ahead or behind.
_FIRST_DAY: Final = 2.0
# Before that a tray that grows as it should may stand no higher than its photos can tell.
_FIRST_STANDSTILL_DAY: Final = 3.0
_AS_USUAL_DAYS: Final = 0.5
# The published ranges are barley's.
_PUBLISHED_GRAIN: Final = "barley"


@dataclass(frozen=True)
class Trend:
    """How one run grows.

    Parameters
    ----------
    pace : str or None
        Such as "about as usual" or "a day behind"; None where it cannot be told.
    height_mm : float
        At the last photo that shows it.
    grown_mm : float or None
        Since the photo before, at least six hours earlier.
    since : datetime or None
        When that one was taken.
    certain : bool
        Whether that growth is more than the uncertainty of the two heights.
    early : bool
        Whether it is too early to call a tray that does not grow so.
    at : datetime
        When the height was measured.
    """

    pace: str | None
    height_mm: float
    grown_mm: float | None
    since: datetime | None
    certain: bool
    early: bool
    at: datetime

    def words(self, say: Say) -> str:
        """Such as "10.6 cm, about as usual; 1.2 cm more since yesterday"."""
        if say.now - self.at > RECENT:
            return f"height cannot be told since {say.day_of(self.at)}"
        words = [say.length(self.height_mm)]
        if self.pace is not None:
            words.append(f", {self.pace}")
        told = self.certain or not self.early
        if self.grown_mm is not None and self.since is not None and told:
            grown = f"{say.length(self.grown_mm)} more" if self.certain else "hardly taller"
            # "Since today" would be taken for the whole day.
            of_today = say.local(self.since).date() == say.today
            since = say.moment(self.since) if of_today else say.day_of(self.since)
            words.append(f"; {grown} since {since}")
        return "".join(words)


def trend(readings: RunReadings, finished: tuple[RunReadings, ...]) -> Trend | None:
    """How a run grows; None where no photo shows its height.

    Parameters
    ----------
    readings : RunReadings
    finished : tuple of RunReadings
        The room's last finished runs: its own usual.
    """
    return _trend(readings.series, readings.grain, finished)


# A series is the same object for as long as its readings hold, so a cache can only save time.
@lru_cache(maxsize=1024)
def _trend(series: RunSeries, grain: str, finished: tuple[RunReadings, ...]) -> Trend | None:
    points = series.curve_points(Quantity.HEIGHT)
    if not points:
        return None
    last = points[-1]
    before = next((one for one in reversed(points) if last.taken_at - one.taken_at >= _APART), None)
    grown = None if before is None else last.value - before.value
    return Trend(
        pace=_pace(last, grain, finished),
        height_mm=last.value,
        grown_mm=grown,
        since=None if before is None else before.taken_at,
        certain=_certain(before, last),
        early=last.day < _FIRST_STANDSTILL_DAY,
        at=last.taken_at,
    )


def _certain(before: CurvePoint | None, last: CurvePoint) -> bool:
    if before is None:
        return False
    return last.value - before.value > float(np.hypot(before.uncertainty, last.uncertainty))


def _pace(last: CurvePoint, grain: str, finished: tuple[RunReadings, ...]) -> str | None:
    if last.day < _FIRST_DAY:
        return None
    days, heights = _usual(finished, grain)
    if days and days[0] <= last.day <= days[-1]:
        return pace_words(last.day - float(np.interp(last.value, heights, days)))
    if grain != _PUBLISHED_GRAIN:
        return None
    behind = days_behind(SHOOT_HEIGHT, last.value, last.day)
    lag = behind or -days_ahead(SHOOT_HEIGHT, last.value, last.day)
    if abs(lag) < _AS_USUAL_DAYS:
        return "as published for barley"
    return f"{pace_words(lag)}{'' if lag > 0 else ' of'} what is published for barley"


def pace_words(lag_days: float) -> str:
    """Such as "about as usual", "half a day behind", "2 days ahead"."""
    halves = round(2 * abs(lag_days))
    if abs(lag_days) < _AS_USUAL_DAYS:
        return "about as usual"
    named = {1: "half a day", 2: "a day", 3: "a day and a half"}
    side = "behind" if lag_days > 0 else "ahead"
    return f"{named.get(halves, f'{round(abs(lag_days))} days')} {side}"


@lru_cache(maxsize=16)
def _usual(
    finished: tuple[RunReadings, ...], grain: str
) -> tuple[Sequence[float], Sequence[float]]:
    """Days and the room's usual height on them, which never falls."""
    usual = usual_growth(finished, grain, Quantity.HEIGHT)
    days = sorted(usual)
    return days, np.maximum.accumulate([usual[day] for day in days]).tolist() if days else []
