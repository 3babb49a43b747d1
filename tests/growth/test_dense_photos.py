"""Many photos of one morning are wrong together: they count for few, and intervals hold.

The truths are drawn from the published prior; of each reading's error a part is common to its run.
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import chi2

from trayvision.growth.curve import fit_growth
from trayvision.growth.fit import GrowthPoint, Readings
from trayvision.growth.prior import Quantity, published_prior
from trayvision.growth.sigmoid import Shape, sigmoid

BARLEY = published_prior(Quantity.HEIGHT, grain="barley")
SIGMA_MM = 2.5
# Share of the error's variance that all readings of a run have in common.
COMMON = 0.4


def weights(ages: list[float]) -> NDArray[np.float64]:
    points = [GrowthPoint(age, 50.0, 2.0) for age in ages]
    return Readings.of(points, wobble=1.5, alike_within=BARLEY.alike_within).weight


def test_readings_of_one_moment_count_as_one() -> None:
    # Effective number of n equally correlated readings: n / (1 + (n - 1) rho), with rho 1.
    assert weights([3.0] * 7) == pytest.approx([1 / 7] * 7)


def test_readings_half_a_day_apart_count_each() -> None:
    assert BARLEY.alike_within == 0.5
    assert weights([2.0, 2.5, 3.0, 4.0]) == pytest.approx([1.0] * 4)


def test_hourly_readings_count_as_two_a_day() -> None:
    # Of m readings per half a day the correlations 1 - |k| / m of one with its neighbours sum to m.
    hourly = weights([hour / 24 for hour in range(1, 97)])
    assert hourly[12:-12] == pytest.approx([1 / 12] * 72)
    # In the middle of m readings: 1 + 2 (1 - 1 / 2) = 2 with one neighbour at half the distance.
    assert weights([3.0, 3.25, 3.5]) == pytest.approx([1 / 1.5, 1 / 2, 1 / 1.5])


@pytest.mark.parametrize(("apart", "counts"), [(2.0, 0.5), (3.0, 1 / 1.5), (4.0, 1.0), (9.0, 1.0)])
def test_readings_that_contradict_each_other_share_nothing(apart: float, counts: float) -> None:
    # Each has 2 and 1.5 mm of uncertainty, 2.5 mm together, a pair of them 2.5 mm times root two.
    far = 50.0 + apart * 2.5 * np.sqrt(2)
    pair = [GrowthPoint(3.0, 50.0, 2.0), GrowthPoint(3.0, float(far), 2.0)]
    readings = Readings.of(pair, wobble=1.5, alike_within=BARLEY.alike_within)
    assert readings.weight == pytest.approx([counts] * 2)


def test_without_a_reach_each_reading_counts() -> None:
    points = [GrowthPoint(3.0, 50.0, 2.0)] * 3
    assert Readings.of(points, wobble=0.0).weight == pytest.approx([1.0] * 3)


def test_the_same_readings_again_tell_nothing_new() -> None:
    once = [GrowthPoint(age, 12.0 * age, 2.0) for age in (2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0)]
    again = [point for point in once for _ in range(6)]
    ages = [3.0, 5.0, 7.0]
    for one, other in zip(
        fit_growth(once, prior=BARLEY).at_ages(ages),
        fit_growth(again, prior=BARLEY).at_ages(ages),
        strict=True,
    ):
        np.testing.assert_allclose(other, one, rtol=1e-5)


def test_the_reach_is_in_the_unit_of_the_ages() -> None:
    thermal = published_prior(Quantity.COVER, grain="barley", thermal=True)
    assert thermal.alike_within == pytest.approx(0.5 * 19.7)
    with pytest.raises(ValueError, match="alike_within must be finite, at least 0, got -1"):
        replace(BARLEY, alike_within=-1.0)


@pytest.mark.parametrize("per_day", [1, 2, 6, 24])
def test_stated_uncertainty_is_the_real_error_whatever_the_cadence(per_day: int) -> None:
    rng = np.random.default_rng(41)
    ages = np.arange(0.8, 4.3, 1 / per_day)
    spread = np.hypot(SIGMA_MM, BARLEY.wobble)
    pulls = []
    for _ in range(40):
        theta = rng.multivariate_normal(BARLEY.mean, BARLEY.covariance)
        error = np.sqrt(COMMON) * rng.normal() + np.sqrt(1 - COMMON) * rng.normal(size=len(ages))
        values = sigmoid(Shape.RICHARDS, theta, ages) + spread * error
        points = [
            GrowthPoint(float(age), float(value), SIGMA_MM)
            for age, value in zip(ages, values, strict=True)
        ]
        value, uncertainty = fit_growth(points, prior=BARLEY).at_ages([4.0, 6.0])
        pulls.append((value - sigmoid(Shape.RICHARDS, theta, [4.0, 6.0])) / uncertainty)
    # The mean of 40 squares of pulls lies above this once in a thousand by chance (chi-square).
    assert np.all(np.mean(np.square(pulls), axis=0) < chi2.ppf(0.999, 40) / 40)
