"""Wald's and Page's tests against published tables, worked examples and closed forms."""

from math import exp, log
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from trayvision.warning.sequential_test import (
    ErrorRates,
    cusum,
    cusum_run_length,
    decision_interval,
    effective_readings,
)

REFERENCE = Path(__file__).parents[1] / "reference_values"
NIST = np.loadtxt(REFERENCE / "nist_cusum_6_3_2_3.csv", delimiter=",", skiprows=1)
RUN_LENGTHS = np.genfromtxt(REFERENCE / "cusum_run_lengths.csv", delimiter=",", skip_header=1)


def two_sided(allowance: float, interval: float, shift: float) -> float:
    """Of two one-sided sums, of which one alone can be above its interval at a time (Page)."""
    up = cusum_run_length(allowance, interval, shift=shift)
    down = cusum_run_length(allowance, interval, shift=-shift)
    return 1 / (1 / up + 1 / down)


# NIST/SEMATECH e-Handbook, section 6.3.2.3: target 325, k 0.3175, h 4.1959 in units of the data.
# The printed h is the limit beta -> 0, so it is taken as given.
def test_cusum_follows_the_nist_worked_example() -> None:
    high = cusum(NIST[:, 1] - 325 - 0.3175)
    low = cusum(325 - NIST[:, 1] - 0.3175)
    np.testing.assert_allclose(high, NIST[:, 2], atol=0.006)
    np.testing.assert_allclose(low, NIST[:, 3], atol=0.006)
    assert NIST[high > 4.1959, 0].tolist() == list(range(14, 21))
    assert not (low > 4.1959).any()


# Montgomery and Runger, Applied Statistics and Probability for Engineers, Example 16-6 and
# Table 16-8: target 99, K 1, H 10.
def test_cusum_follows_montgomery_and_runger() -> None:
    readings = np.array(
        [102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1]
        + [101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0]
    )
    high, low = cusum(readings - 99 - 1), cusum(99 - readings - 1)
    assert high.max() == pytest.approx(2.0, abs=0.05)
    assert low.max() == pytest.approx(3.2, abs=0.05)
    assert int(low.argmax()) == 1


# Lucas and Crosier 1982, Table 1 (h = 4, two-sided, k = 0.5), as quoted in the CRAN package spc;
# h = 5: 465 and 10.4 after Montgomery, the rest computed by an independent program.
@pytest.mark.parametrize(("interval", "shift", "published", "computed"), RUN_LENGTHS)
def test_run_lengths_of_lucas_and_crosier(
    interval: float, shift: float, published: float, computed: float
) -> None:
    found = two_sided(0.5, interval, shift)
    assert found == pytest.approx(computed, rel=1e-4)
    if not np.isnan(published):
        assert found == pytest.approx(published, rel=0.005)


# Same table, both sides with half a headstart. From a shift of 1 on, the side away from the shift
# hardly ever signals first, so the upper side alone must give the printed value.
@pytest.mark.parametrize(
    ("shift", "published"),
    [(1, 5.29), (1.5, 2.86), (2, 2.01), (2.5, 1.59), (3, 1.32), (4, 1.07), (5, 1.01)],
)
def test_run_lengths_with_a_headstart(shift: float, published: float) -> None:
    found = cusum_run_length(0.5, 4.0, shift=shift, headstart=2.0)
    assert found == pytest.approx(published, rel=0.01)


# Brook and Evans, Biometrika 59 (1972) 539: 117.59 and 3.75; more digits from the package spc.
def test_run_lengths_of_brook_and_evans() -> None:
    assert cusum_run_length(0.5, 3.0) == pytest.approx(117.5957, abs=0.01)
    assert cusum_run_length(0.5, 3.0, shift=1.5) == pytest.approx(3.7491, abs=0.001)


# Hawkins' table for a two-sided run length of about 370, as quoted in an R example.
@pytest.mark.parametrize(
    ("allowance", "interval"),
    [(0.25, 8.01), (0.5, 4.77), (0.75, 3.34), (1.0, 2.52), (1.25, 1.99), (1.5, 1.61)],
)
def test_decision_intervals_of_hawkins(allowance: float, interval: float) -> None:
    assert two_sided(allowance, interval, 0.0) == pytest.approx(370, rel=0.02)
    assert decision_interval(allowance, 2 * 370.4) == pytest.approx(interval, abs=0.01)


def test_a_table_of_the_web_is_not_reproduced() -> None:
    # 370 (h = 4) and 629 (h = 5) stand on the web for k = 0.5; no side of the test gives them.
    for interval, wrong in ((4.0, 370.0), (5.0, 629.0)):
        assert two_sided(0.5, interval, 0.0) != pytest.approx(wrong, rel=0.05)
        assert cusum_run_length(0.5, interval) != pytest.approx(wrong, rel=0.05)


@given(st.floats(0.1, 1.2), st.floats(10.0, 2000.0))
def test_decision_interval_is_the_inverse_of_the_run_length(k: float, length: float) -> None:
    assert cusum_run_length(k, decision_interval(k, length)) == pytest.approx(length, rel=1e-6)


def test_tiny_interval_is_a_single_threshold() -> None:
    # As h goes to 0 the sum starts afresh at each reading: geometric with P(X > k).
    assert cusum_run_length(1.2, 1e-9, shift=0.3) == pytest.approx(1 / norm.sf(0.9), rel=1e-6)


def test_run_length_agrees_with_drawn_series() -> None:
    rng = np.random.default_rng(11)
    lengths = []
    for _ in range(2000):
        sums = cusum(rng.normal(1.0, 1.0, 200) - 0.5)
        lengths.append(int(np.argmax(sums >= 4.0)) + 1)
    error = np.std(lengths) / np.sqrt(len(lengths))
    assert np.mean(lengths) == pytest.approx(cusum_run_length(0.5, 4.0, shift=1.0), abs=3 * error)


@given(st.lists(st.floats(-5, 5), min_size=1, max_size=20))
def test_cusum_is_the_largest_sum_over_all_beginnings(increments: list[float]) -> None:
    for place, level in enumerate(cusum(increments)):
        sums = [sum(increments[begin : place + 1]) for begin in range(place + 1)]
        assert level == pytest.approx(max(0.0, *sums), abs=1e-9)


# Wald 1945: A = (1 - beta) / alpha, B = beta / (1 - alpha).
def test_walds_bounds() -> None:
    rates = ErrorRates(false_alarm=0.01, missed=0.05)
    assert exp(rates.upper) == pytest.approx(95.0)
    assert exp(rates.lower) == pytest.approx(0.05 / 0.99)
    even = ErrorRates(0.05, 0.05)
    assert even.upper == pytest.approx(log(19)) == pytest.approx(-even.lower)


def test_walds_test_keeps_its_error_rates() -> None:
    rates, separation = ErrorRates(0.05, 0.1), 0.5
    rng = np.random.default_rng(5)
    accepted = {0.0: 0, separation: 0}
    trials = 1500
    for mean in accepted:
        for _ in range(trials):
            steps = np.cumsum(separation * (rng.normal(mean, 1.0, 400) - separation / 2))
            end = int(np.argmax((steps >= rates.upper) | (steps <= rates.lower)))
            accepted[mean] += bool(steps[end] >= rates.upper)
    # Wald's bounds err on the safe side: both rates together stay below their sum.
    assert accepted[0.0] / trials <= rates.false_alarm / (1 - rates.missed) + 0.01
    assert 1 - accepted[separation] / trials <= rates.missed / (1 - rates.false_alarm) + 0.01


@settings(max_examples=40)
@given(st.integers(1, 30), st.floats(0, 1))
def test_effective_readings_are_those_of_the_variance_of_a_mean(n: int, rho: float) -> None:
    covariance = np.full((n, n), rho) + (1 - rho) * np.eye(n)
    assert effective_readings(n, rho) == pytest.approx(1 / covariance.mean())


def test_wrong_calls_are_named() -> None:
    with pytest.raises(ValueError, match="false_alarm must lie between 0 and 1, got 0"):
        ErrorRates(0.0, 0.1)
    with pytest.raises(ValueError, match=r"together must stay below 1, got 1\.2"):
        ErrorRates(0.6, 0.6)
    with pytest.raises(ValueError, match="interval must be positive and finite, got 0"):
        cusum_run_length(0.5, 0.0)
    with pytest.raises(ValueError, match="headstart must lie from 0 to interval, got 5"):
        cusum_run_length(0.5, 4.0, headstart=5.0)
    with pytest.raises(ValueError, match=r"run_length must be finite and above 3\.241"):
        decision_interval(0.5, 2.0)
    with pytest.raises(ValueError, match=r"count must be 1 or more and finite, got 0\.5"):
        effective_readings(0.5, 0.5)
    with pytest.raises(ValueError, match="correlation must lie from 0 to 1, got 2"):
        effective_readings(3, 2.0)
