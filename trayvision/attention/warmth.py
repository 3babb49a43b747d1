"""How warm a shelf was in the last days, by its own thermometer where one was read."""

from bisect import bisect_right
from collections import defaultdict
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Final

from trayvision.attention.state import RoomState
from trayvision.growth.thermal_time import LONGEST_GAP_HOURS

_LONGEST_GAP: Final = timedelta(hours=LONGEST_GAP_HOURS)

_Read = tuple[datetime, float]


class ShelfWarmth:
    """Mean temperatures, °C, of the room's shelves."""

    def __init__(self, room: RoomState) -> None:
        self._by_shelf: dict[str | None, list[_Read]] = defaultdict(list)
        for air in sorted(room.air, key=lambda one: one.read_at):
            if air.temperature_c is not None and air.read_at <= room.now:
                self._by_shelf[air.shelf].append((air.read_at, air.temperature_c))
        self._known: dict[str | None, float | None] = {}

    def of_shelf(self, shelf: str | None) -> float | None:
        """Mean over time, of the room's readings where the shelf's own do not carry.

        None without any reading; without two of one day, the mean of the readings themselves.
        """
        if shelf not in self._known:
            own = self._by_shelf.get(shelf, []) if shelf is not None else []
            room = self._by_shelf.get(None, [])
            self._known[shelf] = _mean_over_time([*own, *_beside(own, room)])
        return self._known[shelf]


def _beside(own: list[_Read], of_room: list[_Read]) -> list[_Read]:
    """The room's readings of times that lie between no two of the shelf's own near each other."""
    moments = [moment for moment, _ in own]
    found = []
    for moment, temperature in of_room:
        place = bisect_right(moments, moment)
        at_once = place > 0 and moments[place - 1] == moment
        between = 0 < place < len(moments)
        if not at_once and not (between and moments[place] - moments[place - 1] <= _LONGEST_GAP):
            found.append((moment, temperature))
    return found


def _mean_over_time(readings: list[_Read]) -> float | None:
    """By trapezoids between readings no further apart than warmth is carried."""
    if not readings:
        return None
    hours = total = 0.0
    for (begins, first), (ends, second) in pairwise(sorted(readings)):
        apart = ends - begins
        if apart <= _LONGEST_GAP:
            hours += apart / timedelta(hours=1)
            total += apart / timedelta(hours=1) * (first + second) / 2
    return total / hours if hours else sum(value for _, value in readings) / len(readings)
