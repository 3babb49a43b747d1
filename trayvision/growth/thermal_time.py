"""Thermal time: degree-days from a room's readings."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf, isfinite

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# Two readings further apart than this say too little of the hours between them: of a night whose
# dip by 5 °C, half a sine wave, nobody saw, 2 °C d are wrong in 16 h. Who reads the air in the
# morning and in the evening leaves less, but leaves it every night: where the air swings by 5 °C
# either way, readings at 7 and 19 o'clock are at most 1.5 °C d off and not in the long run, those
# at 8 and 16 o'clock gain 1.8 °C d a day, a tenth of what counts. Judgement.
LONGEST_GAP_HOURS = 16.0
# Beyond a first or last reading there is only one side to go by: 5 °C off by the end of 6 h,
# 0.6 °C d. Judgement.
_REACH_HOURS = 6.0


@dataclass(frozen=True, slots=True)
class TemperatureResponse:
    """Which temperatures count towards development, and how far.

    Parameters
    ----------
    base_c : float
        Development stops at and below it, °C. 0 for barley and wheat (Oregon State EM 8578;
        Sci. Rep. 10 (2020) 18013, table 3: barley 0-5, wheat 0).
    low_c, high_c : float
        Cut-offs, °C: lower temperatures count as `low_c`, higher ones as `high_c` (Montana
        Mesonet's rule, after NDAWN). Without them every temperature above the base counts.

    Raises
    ------
    ValueError
        If the base is not finite or the cut-offs are not in order.
    """

    base_c: float = 0.0
    low_c: float = -inf
    high_c: float = inf

    def __post_init__(self) -> None:
        if not isfinite(self.base_c):
            raise ValueError(f"base_c must be finite, got {self.base_c!r}")
        if not self.low_c < self.high_c:
            raise ValueError(f"low_c must lie below high_c, got {self.low_c!r} and {self.high_c!r}")

    def mean_counted(self, from_c: float, to_c: float) -> float:
        """Mean of what counts, °C, while temperature runs straight from one reading to the next.

        The trapezoid is cut where it crosses the base and the cut-offs, so that a reading below
        the base does not eat into what the warmer hours earned.
        """
        corners = [from_c, to_c]
        ends = sorted(corners)
        inner = [edge for edge in self._edges() if ends[0] < edge < ends[1]]
        stops = sorted({*ends, *inner})
        if len(stops) == 1:
            return float(self._counted(from_c))
        pieces = [
            (high - low) * (self._counted(low) + self._counted(high)) / 2.0
            for low, high in pairwise(stops)
        ]
        return sum(pieces) / (ends[1] - ends[0])

    def _edges(self) -> tuple[float, ...]:
        return self.base_c, self.low_c, self.high_c

    def _counted(self, temperature_c: float) -> float:
        return max(min(max(temperature_c, self.low_c), self.high_c) - self.base_c, 0.0)


@dataclass(frozen=True, slots=True, order=True)
class RoomReading:
    """One temperature reading of a room or shelf.

    Parameters
    ----------
    hours : float
        Hours since the spreading of the run that thermal time is counted for; may be negative.
    temperature_c : float
        °C.

    Raises
    ------
    ValueError
        If a number is not finite or the temperature below absolute zero.
    """

    hours: float
    temperature_c: float

    def __post_init__(self) -> None:
        if not isfinite(self.hours):
            raise ValueError(f"hours must be finite, got {self.hours!r}")
        if not (isfinite(self.temperature_c) and self.temperature_c >= -273.15):
            raise ValueError(
                f"temperature_c must be finite, at least -273.15, got {self.temperature_c!r}"
            )


@dataclass(frozen=True, eq=False)
class ThermalTime:
    """Thermal time since spreading, as far as the readings carry it.

    It bears no uncertainty: how far the air strayed between two readings nobody read. With the
    same hours of reading in every run the error is much the same in all, and what they teach of a
    room leans as its new runs do; against another room, or after the hours change, it shows in
    full (see `LONGEST_GAP_HOURS` for how much).

    Parameters
    ----------
    hours : ndarray, shape (n,)
        Increasing from 0: the moments between which it was summed.
    degree_days : ndarray, shape (n,)
        °C d since spreading at those moments.
    mean_c : float or None
        Mean temperature that counted (°C above the base), None before there is any.
    complete : bool
        False when a gap longer than allowed ended the sum before the last reading.
    """

    hours: Floats
    degree_days: Floats
    mean_c: float | None
    complete: bool

    @property
    def known_until_hours(self) -> float | None:
        """Last hour at which thermal time is known; None when it never is."""
        return float(self.hours[-1]) if len(self.hours) else None

    def at(self, hours: ArrayLike) -> Floats:
        """°C d at each hour since spreading, straight between readings; NaN where unknown."""
        asked = np.asarray(hours, float)
        if not len(self.hours):
            return np.full(asked.shape, np.nan)
        return np.asarray(np.interp(asked, self.hours, self.degree_days, left=np.nan, right=np.nan))


def thermal_time(
    readings: Sequence[RoomReading],
    *,
    response: TemperatureResponse,
    longest_gap_hours: float = LONGEST_GAP_HOURS,
) -> ThermalTime:
    """Degree-days since spreading, summed by trapezoids over irregular readings.

    A sum cannot be carried over a gap: it ends at the first one longer than allowed, and all
    later thermal ages are unknown. Whether more was read beyond such a gap or nothing, the
    readings before and after it reach 6 hours (half the allowed gap, if that is less) into it at
    constant temperature: so one more reading never shortens what is known, and a first reading
    shortly after spreading will do. Readings of one moment are averaged. The order of the
    readings does not matter.

    Parameters
    ----------
    readings : sequence of RoomReading
        Any number, in any order.
    response : TemperatureResponse
        Base and cut-offs.
    longest_gap_hours : float
        Longest time between two readings that is bridged.

    Returns
    -------
    ThermalTime

    Raises
    ------
    ValueError
        If `longest_gap_hours` is not positive.
    """
    if not longest_gap_hours > 0:
        raise ValueError(f"longest_gap_hours must be positive, got {longest_gap_hours!r}")
    hours, temperature, complete = _over_spreading(readings, longest_gap_hours)
    if not len(hours):
        return ThermalTime(np.empty(0), np.empty(0), None, complete=not readings)
    before = int(np.searchsorted(hours, 0.0, side="right"))
    times, values = [0.0], [float(np.interp(0.0, hours, temperature))]
    total = [0.0]
    for hour, value in zip(hours[before:], temperature[before:], strict=True):
        rate = response.mean_counted(values[-1], float(value))
        total.append(total[-1] + rate * (float(hour) - times[-1]) / 24.0)
        times.append(float(hour))
        values.append(float(value))
    mean = total[-1] / (times[-1] / 24.0) if times[-1] > 0 else None
    return ThermalTime(np.array(times), np.array(total), mean, complete)


def _over_spreading(
    readings: Sequence[RoomReading], longest_gap_hours: float
) -> tuple[Floats, Floats, bool]:
    """The row of readings without a gap that reaches over spreading, and whether it is the last.

    Distinct hours and mean temperatures, first and last held constant beyond themselves.
    """
    ordered, reach = sorted(readings), min(_REACH_HOURS, longest_gap_hours / 2.0)
    hours, inverse = np.unique([reading.hours for reading in ordered], return_inverse=True)
    sums = np.bincount(inverse, weights=[reading.temperature_c for reading in ordered])
    temperature = sums / np.bincount(inverse)
    gaps = np.flatnonzero(np.diff(hours) > longest_gap_hours) + 1
    for row in np.split(np.arange(len(hours)), gaps):
        if len(row) and hours[row[0]] - reach <= 0.0 <= hours[row[-1]] + reach:
            return (
                np.concatenate([[hours[row[0]] - reach], hours[row], [hours[row[-1]] + reach]]),
                temperature[[row[0], *row, row[-1]]],
                bool(row[-1] == len(hours) - 1),
            )
    return np.empty(0), np.empty(0), False
