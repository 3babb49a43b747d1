"""How many days a tray is behind the usual of its room, by cover or by height."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from trayvision.score.expectations import COVER, SHOOT_HEIGHT, usual_range


@dataclass(frozen=True, slots=True)
class UsualGrowth:
    """Cover and shoot height by day, rising: the room's own, or the middle of published ranges."""

    cover_by_day: Mapping[float, float] = field(default_factory=dict)
    height_mm_by_day: Mapping[float, float] = field(default_factory=dict)

    @property
    def is_own(self) -> bool:
        """Whether the room has its own normal."""
        return bool(self.cover_by_day) and bool(self.height_mm_by_day)

    def cover_lag_days(self, day: float, cover: float) -> float:
        """Days since a tray of the usual pace had this cover."""
        return _lag(day, cover, self.cover_by_day, COVER)

    def height_lag_days(self, day: float, height_mm: float) -> float:
        """Days since a tray of the usual pace had this height."""
        return _lag(day, height_mm, self.height_mm_by_day, SHOOT_HEIGHT)


def _lag(day: float, value: float, own: Mapping[float, float], quantity: str) -> float:
    days = sorted(own) if own else [float(day) for day in range(1, 9)]
    values = [own[day] if own else sum(usual_range(quantity, day)) / 2 for day in days]
    if not own and quantity == COVER:
        # The published rows begin on day 3; nothing is green before day 2.
        days, values = [2.0, *days[2:]], [0.0, *values[2:]]
    rising = np.maximum.accumulate(values) + 1e-9 * np.arange(len(values))
    # Later than the usual is known a tray is older than any day that it could be told to be like.
    return min(day, days[-1]) - float(np.interp(value, rising, days))
