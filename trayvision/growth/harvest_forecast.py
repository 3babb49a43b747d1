"""When a run meets its harvest target, with an interval that holds as often as it says."""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf, isfinite

import numpy as np
from numpy.typing import NDArray

from trayvision.growth.curve import GrowthCurve
from trayvision.growth.draws import weighted_quantiles
from trayvision.growth.sigmoid import age_at_value

Floats = NDArray[np.float64]

# A tray not ready by then will not be: published harvests end at day 12 of growth, and a slow
# room is given nine days more (judgement).
HORIZON_HOURS = 21 * 24.0


@dataclass(frozen=True, slots=True)
class HarvestTarget:
    """When a tray counts as due: at a value, on a day, or at whichever comes first.

    Parameters
    ----------
    value : float or None
        In the unit of the curve's points, such as mm of shoot height.
    day : float or None
        Days since spreading.

    Raises
    ------
    ValueError
        If both are None, or one is not positive and finite.
    """

    value: float | None = None
    day: float | None = None

    def __post_init__(self) -> None:
        if self.value is None and self.day is None:
            raise ValueError("value or day must be given, got None for both")
        for name, given in (("value", self.value), ("day", self.day)):
            if given is not None and not (isfinite(given) and given > 0):
                raise ValueError(f"{name} must be positive and finite, got {given!r}")


@dataclass(frozen=True, slots=True)
class HarvestForecast:
    """The moment at which a run meets its target, in hours since spreading.

    Parameters
    ----------
    median_hours : float or None
        As likely before as after; None when it is more likely never met than met.
    low_hours, high_hours : float or None
        Ends of the central interval of `coverage`; None where that end is "never".
    coverage : float
        Probability with which the interval holds the moment.
    probability_met : float
        That the target is met at all, by growth within `HORIZON_HOURS`.
    standard_uncertainty_hours : float or None
        Half the central 68.3 % interval; None when that reaches "never".
    """

    median_hours: float | None
    low_hours: float | None
    high_hours: float | None
    coverage: float
    probability_met: float
    standard_uncertainty_hours: float | None


Clock = Callable[[Floats], Floats]


def days_to_hours(days: Floats) -> Floats:
    """The clock of curves whose ages are days since spreading."""
    return days * 24.0


def forecast_harvest(
    curve: GrowthCurve,
    *,
    target: HarvestTarget,
    rng: np.random.Generator,
    clock: Clock = days_to_hours,
    coverage: float = 0.9,
) -> HarvestForecast:
    """Posterior of the moment at which a curve meets its target.

    The curve's parameters are drawn from their posterior over all three shapes; what a run may
    still drift from its own sigmoid after its last reading is added. Moments in the past are
    possible: then the target has been met.

    Parameters
    ----------
    curve : GrowthCurve
        Of the quantity that the target's value is of.
    target : HarvestTarget
        Value, day or whichever comes first.
    rng : numpy.random.Generator
        The only source of randomness: the same state gives the same forecast.
    clock : callable
        Age in the curve's unit to hours since spreading, elementwise and increasing, infinite
        kept; for thermal time `trayvision.growth.thermal_time.ThermalClock.hours_at`.
    coverage : float
        Of the stated interval.

    Returns
    -------
    HarvestForecast

    Raises
    ------
    ValueError
        If `coverage` does not lie between 0 and 1.
    """
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"coverage must lie between 0 and 1, got {coverage!r}")
    hours, weight = _draw_hours(curve, target, rng, clock)
    tail = (1.0 - coverage) / 2.0
    low, below, median, above, high = weighted_quantiles(
        hours, weight, (tail, 0.15865, 0.5, 0.84135, 1.0 - tail)
    )
    return HarvestForecast(
        median_hours=_or_none(median),
        low_hours=_or_none(low),
        high_hours=_or_none(high),
        coverage=coverage,
        probability_met=min(1.0, float(weight[np.isfinite(hours)].sum() / weight.sum())),
        standard_uncertainty_hours=_or_none((above - below) / 2.0 if isfinite(below) else inf),
    )


def _or_none(hours: float) -> float | None:
    return hours if isfinite(hours) else None


def _draw_hours(
    curve: GrowthCurve, target: HarvestTarget, rng: np.random.Generator, clock: Clock
) -> tuple[Floats, Floats]:
    day_hours = inf if target.day is None else target.day * 24.0
    if target.value is None:
        return np.array([day_hours]), np.ones(1)
    last_age = curve.points[-1].age if curve.points else 0.0
    ages, weights = [], []
    for draw in curve.draws(rng=rng):
        age = age_at_value(draw.shape, draw.theta, target.value)
        ahead = np.maximum(np.where(np.isfinite(age), age, last_age) - last_age, 0.0)
        drift = curve.prior.pace_noise * np.sqrt(ahead) * rng.standard_normal(len(age))
        # Drift after the last reading cannot move the moment to before it.
        ages.append(np.where(ahead > 0, np.maximum(age + drift, last_age), age))
        weights.append(draw.weight)
    hours = np.concatenate([np.asarray(clock(group), float) for group in ages])
    # A day that somebody set comes, however late it is.
    grown = np.where(hours <= HORIZON_HOURS, hours, inf)
    return np.minimum(grown, day_hours), np.concatenate(weights)
