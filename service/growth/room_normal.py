"""The room's own normal growth: where its last finished runs of a grain were, age by age."""

from bisect import bisect_right
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Final

import numpy as np

from service.growth.growth_fits import past_curves
from service.growth.run_series import COVERAGE
from service.growth.teachings import Teaching
from trayvision.growth.curve import Floats
from trayvision.growth.shelf_curves import normal_band

# As many as `trayvision.growth.shelf_curves.normal_band` asks for.
LEAST_RUNS: Final = 5
# Of days and, over thermal time, of °C d: as fine, and as far, in a room of 20 °C.
_STEP_DAYS: Final = 0.25
_LAST_DAY: Final = 21.0
_DEGREES: Final = 20.0


@dataclass(frozen=True)
class RoomNormal:
    """What is normal in this room, by age since spreading: days, or °C d of a thermal teaching.

    Parameters
    ----------
    runs : int
        Finished runs of the grain that have readings.
    ages, low, median, high : tuple of float
        Central interval of `COVERAGE` over runs; empty with fewer than `LEAST_RUNS` of them.
    """

    runs: int
    ages: tuple[float, ...] = ()
    low: tuple[float, ...] = ()
    median: tuple[float, ...] = ()
    high: tuple[float, ...] = ()

    def at(self, age: float) -> tuple[float, float, float] | None:
        """Low, median and high at an age; None where too few runs reach."""
        if not self.ages or not self.ages[0] <= age <= self.ages[-1]:
            return None
        ages, after = self.ages, bisect_right(self.ages, age)
        before = after - 1
        if ages[before] == age:
            return self.low[before], self.median[before], self.high[before]
        # One age at a time: an array library's call takes longer than this.
        share = (age - ages[before]) / (ages[after] - ages[before])
        low, median, high = (
            values[before] + share * (values[after] - values[before])
            for values in (self.low, self.median, self.high)
        )
        return low, median, high

    @cached_property
    def climb(self) -> tuple[Floats, Floats]:
        """The median over `ages` as it never falls, and by how much it rises in a day or °C d."""
        median = np.maximum.accumulate(self.median)
        return median, np.gradient(median, np.asarray(self.ages))


@lru_cache(maxsize=64)
def room_normal(teaching: Teaching) -> RoomNormal:
    """What is normal by the runs of a room that a teaching names."""
    runs = teaching.room
    if len(runs) < LEAST_RUNS:
        return RoomNormal(len(runs))
    ages = np.arange(0.0, _LAST_DAY + _STEP_DAYS, _STEP_DAYS)
    ages *= _DEGREES if teaching.thermal else 1.0
    band = normal_band(past_curves(teaching, runs), ages=ages, coverage=COVERAGE)
    reached = np.isfinite(band.median)

    def kept(values: np.ndarray) -> tuple[float, ...]:
        return tuple(round(float(value), 4) for value in values[reached])

    return RoomNormal(
        len(runs), kept(band.ages), kept(band.low), kept(band.median), kept(band.high)
    )
