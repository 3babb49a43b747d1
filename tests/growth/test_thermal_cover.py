"""Cover over thermal time, of simulated runs on a warm and on a cold shelf.

The truth is invented: cover follows a Richards curve over °C d above 0 °C, the same on both
shelves but for each run's own spread; one shelf is held near 23 °C, the other near 16 °C.
"""

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from trayvision.growth.curve import GrowthCurve, fit_growth
from trayvision.growth.fit import GrowthPoint
from trayvision.growth.past_runs import learn_prior
from trayvision.growth.prior import Quantity, published_prior
from trayvision.growth.shelf_curves import shelf_curve
from trayvision.growth.sigmoid import Shape, sigmoid
from trayvision.growth.thermal_growth import thermal_points
from trayvision.growth.thermal_time import (
    RoomReading,
    TemperatureResponse,
    ThermalTime,
    thermal_time,
)

WARM_C, COLD_C = 23.0, 16.0
# Log of the final share, half age in °C d, log width in °C d, log skew; and spreads between runs.
TRUTH = np.array([np.log(0.94), 88.0, np.log(55.0), np.log(0.8)])
SPREAD = np.array([0.015, 5.0, 0.08, 0.2])
NOISE = 0.02
THERMAL = published_prior(Quantity.COVER, grain="barley", thermal=True)
BY_DAYS = published_prior(Quantity.COVER, grain="barley")


@dataclass(frozen=True, eq=False)
class Run:
    """Readings by days, the warmth they were taken in, and the true parameters over °C d."""

    points: tuple[GrowthPoint, ...]
    past: ThermalTime
    theta: NDArray[np.float64]

    def by_warmth(self, days: float = 9.0) -> tuple[GrowthPoint, ...]:
        """The readings up to some day over °C d."""
        return thermal_points([one for one in self.points if one.age <= days], past=self.past)


def drawn(mean_c: float, rng: np.random.Generator, *, spread: float = 1.0) -> Run:
    """Two photos a day for eight days; the temperature swings by 3 °C from day to night."""
    hours = np.arange(0.0, 9 * 24.0)
    level = mean_c + spread * rng.normal(0.0, 0.5)
    air = level + 1.5 * np.sin(2.0 * np.pi * hours / 24.0)
    readings = [RoomReading(float(hour), float(c)) for hour, c in zip(hours, air, strict=True)]
    past = thermal_time(readings, response=TemperatureResponse())
    theta = TRUTH + spread * SPREAD * rng.standard_normal(4)
    ages = np.arange(0.9, 8.5, 0.5)
    truth = sigmoid(Shape.RICHARDS, theta, past.at(ages * 24.0))
    values = np.clip(truth + NOISE * rng.standard_normal(len(ages)), 0.0, 1.0)
    points = tuple(
        GrowthPoint(float(age), float(value), NOISE)
        for age, value in zip(ages, values, strict=True)
    )
    return Run(points, past, theta)


@pytest.fixture(scope="module")
def past_runs() -> dict[float, list[Run]]:
    rng = np.random.default_rng(21)
    return {mean_c: [drawn(mean_c, rng) for _ in range(20)] for mean_c in (WARM_C, COLD_C)}


@pytest.fixture(scope="module")
def past_curves(past_runs: dict[float, list[Run]]) -> dict[float, list[GrowthCurve]]:
    return {
        mean_c: [fit_growth(run.by_warmth(), prior=THERMAL) for run in runs]
        for mean_c, runs in past_runs.items()
    }


def test_two_temperatures_fall_on_one_curve() -> None:
    rng = np.random.default_rng(5)
    warm, cold = (drawn(mean_c, rng, spread=0.0) for mean_c in (WARM_C, COLD_C))
    at = np.array([60.0, 80.0, 100.0])
    expected = sigmoid(Shape.RICHARDS, TRUTH, at)
    for run in (warm, cold):
        values, uncertainty = fit_growth(run.by_warmth(), prior=THERMAL).at_ages(at)
        np.testing.assert_array_less(np.abs(values - expected), 3.0 * uncertainty)
        assert uncertainty.max() < 0.04
    # By age they are a day and more apart: 60 °C d are 2.6 days at 23 °C, 3.75 days at 16 °C.
    by_days = [fit_growth(run.points, prior=BY_DAYS).at_ages([4.0])[0][0] for run in (warm, cold)]
    assert by_days[0] - by_days[1] > 0.3


@pytest.mark.parametrize("mean_c", [WARM_C, COLD_C], ids=["warm shelf", "cold shelf"])
def test_interval_holds_as_often_as_it_says(
    mean_c: float, past_curves: dict[float, list[GrowthCurve]]
) -> None:
    everything = [curve for curves in past_curves.values() for curve in curves]
    prior = learn_prior(everything, parent=THERMAL, group="barley in this room")
    rng = np.random.default_rng(round(mean_c))
    ages = np.array([50.0, 80.0, 110.0])
    inside = []
    for _ in range(120):
        run = drawn(mean_c, rng)
        curve = fit_growth(run.by_warmth(3.0), prior=prior)
        low, _, high = curve.band(ages, rng=rng, coverage=0.9)
        truth = sigmoid(Shape.RICHARDS, run.theta, ages)
        inside.append((low <= truth) & (truth <= high))
    held = np.mean(inside, axis=0)
    # 120 draws of 0.9 have a standard deviation of 0.027.
    assert np.all(held > 0.9 - 3 * 0.027), held


def test_shelves_that_differ_in_warmth_alone_differ_by_age_alone(
    past_runs: dict[float, list[Run]], past_curves: dict[float, list[GrowthCurve]]
) -> None:
    by_days = {
        mean_c: [fit_growth(run.points, prior=BY_DAYS) for run in runs]
        for mean_c, runs in past_runs.items()
    }
    lags = {}
    for name, parent, curves in (("days", BY_DAYS, by_days), ("warmth", THERMAL, past_curves)):
        everything = [curve for group in curves.values() for curve in group]
        room = learn_prior(everything, parent=parent, group="barley in this room")
        shelf = shelf_curve(
            curves[COLD_C], room=room, shelf="cold", ages=[1.0], rng=np.random.default_rng(1)
        )
        lags[name] = shelf.lag, shelf.lag_uncertainty
    # Half of the final cover comes after 88 °C d: 5.5 days at 16 °C, 3.8 days at 23 °C, and the
    # room's mean lies between the two.
    assert lags["days"][0] == pytest.approx((88.0 / COLD_C - 88.0 / WARM_C) / 2.0, abs=0.2)
    assert lags["days"][0] > 5.0 * lags["days"][1]
    assert abs(lags["warmth"][0]) < 2.0 * lags["warmth"][1]


def test_cover_prior_over_thermal_time_says_that_it_is_judgement() -> None:
    assert THERMAL.origin.startswith("Judgement from the look by day")
    assert "19.7 °C d each" in THERMAL.origin
    expected, _ = fit_growth([], prior=BY_DAYS).at_ages([3.0, 5.0])
    same, _ = fit_growth([], prior=THERMAL).at_ages([3.0 * 19.7, 5.0 * 19.7])
    np.testing.assert_allclose(same, expected, rtol=1e-9)
