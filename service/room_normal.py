"""The room's own normal growth: where its last finished runs of a grain were, day by day."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from service.growth_fits import Points, Teaching, fitted_curve
from service.run_readings import COVERAGE, RunReadings
from trayvision.growth_prior import Quantity
from trayvision.shelf_curves import normal_band

# As many as `trayvision.shelf_curves.normal_band` asks for.
LEAST_RUNS: Final = 5
_STEP_DAYS: Final = 0.25
_LAST_DAY: Final = 21.0


@dataclass(frozen=True)
class RoomNormal:
    """What is normal in this room, by days since spreading.

    Parameters
    ----------
    runs : int
        Finished runs of the grain that have readings.
    days, low, median, high : tuple of float
        Central interval of `COVERAGE` over runs; empty with fewer than `LEAST_RUNS` of them.
    """

    runs: int
    days: tuple[float, ...] = ()
    low: tuple[float, ...] = ()
    median: tuple[float, ...] = ()
    high: tuple[float, ...] = ()

    def at(self, day: float) -> tuple[float, float, float] | None:
        """Low, median and high on a day; None where too few runs reach."""
        if not self.days or not self.days[0] <= day <= self.days[-1]:
            return None
        low, median, high = (
            float(np.interp(day, self.days, values))
            for values in (self.low, self.median, self.high)
        )
        return low, median, high


def room_normal(finished: Sequence[RunReadings], grain: str, quantity: Quantity) -> RoomNormal:
    """Normal growth of one grain, from the room's finished runs."""
    points = tuple(
        of_run for run in finished if run.grain == grain and (of_run := run.points(quantity))
    )
    return _normal(quantity, grain, points)


@lru_cache(maxsize=32)
def _normal(quantity: Quantity, grain: str, runs: tuple[Points, ...]) -> RoomNormal:
    if len(runs) < LEAST_RUNS:
        return RoomNormal(len(runs))
    ages = np.arange(0.0, _LAST_DAY + _STEP_DAYS, _STEP_DAYS)
    curves = [fitted_curve(points, Teaching(quantity, grain)) for points in runs]
    band = normal_band(curves, ages=ages, coverage=COVERAGE)
    reached = np.isfinite(band.median)

    def kept(values: np.ndarray) -> tuple[float, ...]:
        return tuple(round(float(value), 4) for value in values[reached])

    return RoomNormal(
        len(runs), kept(band.ages), kept(band.low), kept(band.median), kept(band.high)
    )
