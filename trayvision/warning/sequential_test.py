"""Sequential tests with stated error rates: Wald's bounds, and Page's test with its run lengths.

Sources: A. Wald, Ann. Math. Stat. 16 (1945) 117; E. S. Page, Biometrika 41 (1954) 100; the run
length's integral equation after J. M. Lucas, R. B. Crosier, Technometrics 24 (1982) 199, solved
on Gauss-Legendre nodes (Nyström's method).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from math import inf, isfinite, log

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

Floats = NDArray[np.float64]

_NODES = 64


@dataclass(frozen=True, slots=True)
class ErrorRates:
    """The two error rates of one of Wald's tests, and the bounds that keep them.

    Parameters
    ----------
    false_alarm : float
        Probability of accepting the alternative where the null hypothesis holds.
    missed : float
        Probability of accepting the null hypothesis where the alternative holds.

    Raises
    ------
    ValueError
        If a rate is not between 0 and 1, or both together reach 1.
    """

    false_alarm: float
    missed: float

    def __post_init__(self) -> None:
        for name in ("false_alarm", "missed"):
            if not 0 < getattr(self, name) < 1:
                raise ValueError(f"{name} must lie between 0 and 1, got {getattr(self, name)!r}")
        if self.false_alarm + self.missed >= 1:
            total = self.false_alarm + self.missed
            raise ValueError(f"false_alarm and missed together must stay below 1, got {total!r}")

    @property
    def upper(self) -> float:
        """Log likelihood ratio at which the alternative is accepted, nats."""
        return log((1 - self.missed) / self.false_alarm)

    @property
    def lower(self) -> float:
        """Log likelihood ratio at which the null hypothesis is accepted, nats."""
        return log(self.missed / (1 - self.false_alarm))


def cusum(increments: Sequence[float] | Floats, *, start: float = 0.0) -> Floats:
    """Page's cumulative sums: each adds its increment to the last one and never falls below 0.

    With log likelihood ratios for increments this is the largest evidence over all beginnings.

    Parameters
    ----------
    increments : sequence of float, shape (n,)
        Such as reading - target - allowance.
    start : float
        Headstart.

    Returns
    -------
    ndarray, shape (n,)
    """
    sums = np.empty(len(increments))
    level = start
    for place, increment in enumerate(increments):
        level = max(0.0, level + increment)
        sums[place] = level
    return sums


def cusum_run_length(
    allowance: float, interval: float, *, shift: float = 0.0, headstart: float = 0.0
) -> float:
    """Average run length of a one-sided cumulative sum over independent normal readings.

    Parameters
    ----------
    allowance : float
        k, taken off every reading, in standard deviations of one reading.
    interval : float
        h, the decision interval, in standard deviations.
    shift : float
        Mean of the readings, in standard deviations.
    headstart : float
        Where the sum starts, 0 to `interval`.

    Returns
    -------
    float
        Mean number of readings until the sum first reaches `interval`.

    Raises
    ------
    ValueError
        If `interval` is not positive and finite, or `headstart` lies outside 0 to `interval`.
    """
    _positive("interval", interval)
    if not 0 <= headstart <= interval:
        raise ValueError(f"headstart must lie from 0 to interval, got {headstart!r}")
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    nodes, weights = interval * (nodes + 1) / 2, interval * weights / 2
    # Row 0 stands for the sum at 0, which has a probability of its own, not a density.
    points = np.concatenate([[0.0], nodes])
    kernel = _kernel(points, nodes, weights, allowance - shift)
    lengths = np.linalg.solve(np.eye(len(points)) - kernel, np.ones(len(points)))
    there = _kernel(np.array([headstart]), nodes, weights, allowance - shift)
    return 1.0 + float((there @ lengths)[0])


def _kernel(points: Floats, nodes: Floats, weights: Floats, drift: float) -> Floats:
    gap = nodes[None, :] - points[:, None] + drift
    density = np.exp(-(gap**2) / 2) / np.sqrt(2 * np.pi) * weights
    return np.column_stack([ndtr(drift - points), density])


@cache
def decision_interval(allowance: float, run_length: float) -> float:
    """The interval at which a one-sided cumulative sum without shift has a given run length.

    Raises
    ------
    ValueError
        If `run_length` is not above 1 and finite, or so short that an interval of 0 exceeds it.
    """
    shortest = 1 / float(ndtr(-allowance))
    if not (isfinite(run_length) and run_length > shortest):
        raise ValueError(
            f"run_length must be finite and above {shortest:.4g} with an allowance of "
            f"{allowance!r}, got {run_length!r}"
        )
    high = 1.0
    while cusum_run_length(allowance, high) < run_length:
        high *= 2
    root = brentq(
        lambda interval: log(cusum_run_length(allowance, interval) / run_length),
        1e-9,
        high,
        xtol=1e-12,
    )
    return float(root)


def effective_readings(count: float, correlation: float) -> float:
    """How many independent readings equally correlated ones are worth.

    The design effect 1 + (n - 1) ρ of L. Kish, "Survey Sampling" (1965), section 5.4 (from
    memory).

    Parameters
    ----------
    count : float
        Number of readings, 1 or more; a reading of less weight counts as a part of one.
    correlation : float
        0 to 1.

    Raises
    ------
    ValueError
        If `count` is below 1 or `correlation` lies outside 0 to 1.
    """
    if not 1 <= count < inf:
        raise ValueError(f"count must be 1 or more and finite, got {count!r}")
    if not 0 <= correlation <= 1:
        raise ValueError(f"correlation must lie from 0 to 1, got {correlation!r}")
    return count / (1 + (count - 1) * correlation)


def _positive(name: str, value: float) -> float:
    if not 0 < value < inf:
        raise ValueError(f"{name} must be positive and finite, got {value!r}")
    return value
