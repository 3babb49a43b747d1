"""Growth over thermal time: readings' ages into °C d, and forecasts back into hours."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from trayvision.growth.fit import GrowthPoint
from trayvision.growth.thermal_time import ThermalTime

Floats = NDArray[np.float64]

_USUAL_CHANGE_C = 1.0
_USUAL_CHANGE_RUNS = 5.0


def thermal_points(points: Sequence[GrowthPoint], *, past: ThermalTime) -> tuple[GrowthPoint, ...]:
    """The same readings with their ages in °C d instead of days.

    Parameters
    ----------
    points : sequence of GrowthPoint
        Ages in days since spreading.
    past : ThermalTime
        Thermal time of the run's room or shelf since the same moment.

    Returns
    -------
    tuple of GrowthPoint
        Those whose thermal age is known; where the room's readings have a gap, fewer than came.
    """
    ages = past.at([point.age * 24.0 for point in points])
    return tuple(
        replace(point, age=float(age))
        for point, age in zip(points, ages, strict=True)
        if isfinite(age)
    )


def ahead_uncertainty_c(
    histories: Sequence[ThermalTime], *, from_hours: float, for_hours: float
) -> float:
    """How far a run's mean temperature ahead lies from its mean so far, by past runs.

    Parameters
    ----------
    histories : sequence of ThermalTime
        Of the room's past runs; those that do not reach far enough are passed over.
    from_hours, for_hours : float
        Hours since spreading at which one would have looked ahead, and how far; positive.

    Returns
    -------
    float
        Root mean square change, °C, with five runs' worth of 1 °C added so that few runs do not
        make a room look steadier than it is. Judgement.

    Raises
    ------
    ValueError
        If a duration is not positive and finite.
    """
    for name, given in (("from_hours", from_hours), ("for_hours", for_hours)):
        if not (isfinite(given) and given > 0):
            raise ValueError(f"{name} must be positive and finite, got {given!r}")
    moments = [from_hours, from_hours + for_hours]
    sums = np.array([history.at(moments) for history in histories]).reshape(-1, 2)
    sums = sums[np.isfinite(sums).all(axis=1)]
    change = (sums[:, 1] - sums[:, 0]) / for_hours * 24.0 - sums[:, 0] / from_hours * 24.0
    total = _USUAL_CHANGE_RUNS * _USUAL_CHANGE_C**2 + float((change**2).sum())
    return float(np.sqrt(total / (_USUAL_CHANGE_RUNS + len(change))))


@dataclass(frozen=True, eq=False)
class ThermalClock:
    """Turns thermal ages of a curve back into hours, the past read and the future expected.

    Parameters
    ----------
    past : ThermalTime
        As far as the readings carry.
    ahead_c : float
        Expected mean temperature above the base after that, °C, positive.
    ahead_uncertainty_c : float
        Its standard uncertainty, °C.
    rng : numpy.random.Generator
        Draws one future per thermal age asked for.

    Raises
    ------
    ValueError
        If a temperature is not positive and finite, or its uncertainty negative.
    """

    past: ThermalTime
    ahead_c: float
    ahead_uncertainty_c: float
    rng: np.random.Generator

    def __post_init__(self) -> None:
        if not (isfinite(self.ahead_c) and self.ahead_c > 0):
            raise ValueError(f"ahead_c must be positive and finite, got {self.ahead_c!r}")
        if not (isfinite(self.ahead_uncertainty_c) and self.ahead_uncertainty_c >= 0):
            raise ValueError(
                f"ahead_uncertainty_c must be finite, at least 0, got {self.ahead_uncertainty_c!r}"
            )

    def hours_at(self, degree_days: Floats) -> Floats:
        """Hours since spreading at each thermal age (°C d); infinite ages stay infinite."""
        known = len(self.past.hours) > 0
        last_hours = float(self.past.hours[-1]) if known else 0.0
        last_sum = float(self.past.degree_days[-1]) if known else 0.0
        noise = self.rng.standard_normal(len(degree_days))
        # A future colder than a tenth of the expected one would stop all growth.
        mean = np.maximum(self.ahead_c + self.ahead_uncertainty_c * noise, self.ahead_c / 10.0)
        ahead = last_hours + (degree_days - last_sum) / mean * 24.0
        if not known:
            return np.asarray(ahead)
        inside = np.interp(degree_days, self.past.degree_days, self.past.hours)
        return np.where(degree_days > last_sum, ahead, inside)
