"""The room's own normal growth: medians of its finished runs by whole days."""

from collections.abc import Mapping
from functools import lru_cache
from statistics import median
from typing import Final

import numpy as np

from service.growth.run_series import RunReadings
from trayvision.growth.prior import Quantity

# With fewer runs a median is one or two trays' own story.
LEAST_RUNS: Final = 4
_DAYS: Final = range(1, 10)


# The same runs with the same readings are the same objects, so that a cache can only save time.
@lru_cache(maxsize=32)
def usual_growth(
    finished: tuple[RunReadings, ...], grain: str, quantity: Quantity
) -> Mapping[float, float]:
    """Median of a quantity by day over finished runs of a grain, empty with too few of them.

    Runs are read between their photos by straight lines and never beyond them.
    """
    series = [
        ([point.day for point in points], [point.value for point in points])
        for run in finished
        if run.grain == grain and len(points := run.curve_points(quantity)) > 1
    ]
    usual = {}
    for day in _DAYS:
        there = [
            float(np.interp(day, days, values))
            for days, values in series
            if days[0] <= day <= days[-1]
        ]
        if len(there) >= LEAST_RUNS:
            usual[float(day)] = median(there)
    return usual if len(usual) > 1 else {}
