"""How sure one fitted sigmoid is of itself, and that it finds the best curve, not the nearest."""

from dataclasses import replace
from math import log

import numpy as np
import pytest
from scipy.stats import t as student

from trayvision.growth.fit import STUDENT_FREEDOM, GrowthPoint, fit_shape
from trayvision.growth.prior import Quantity, published_prior
from trayvision.growth.sigmoid import Shape, sigmoid

BARLEY = replace(published_prior(Quantity.HEIGHT, grain="barley"), wobble=0.0)
SIGMA = 2.0


def on_the_curve(theta: np.ndarray, ages: np.ndarray) -> list[GrowthPoint]:
    values = sigmoid(Shape.LOGISTIC, theta, ages)
    return [GrowthPoint(float(a), float(v), SIGMA) for a, v in zip(ages, values, strict=True)]


def slopes(theta: np.ndarray, ages: np.ndarray) -> np.ndarray:
    """Derivatives of the curve with its parameters by central differences."""
    kicks = 1e-6 * np.eye(len(theta))
    columns = [
        (sigmoid(Shape.LOGISTIC, theta + kick, ages) - sigmoid(Shape.LOGISTIC, theta - kick, ages))
        / 2e-6
        for kick in kicks
    ]
    return np.stack(columns, axis=1)


def fisher_information_of_student(freedom: float) -> float:
    """Mean square of the score of Student's t with its location, by the trapezoidal rule."""
    x = np.linspace(-80.0, 80.0, 16_001)
    score = np.gradient(student.logpdf(x, freedom), x)
    return float(np.trapezoid(score**2 * student.pdf(x, freedom), x))


def test_readings_that_fit_tell_as_much_as_students_t_lets_them() -> None:
    # Posterior precision of a normal prior: its own plus the readings' Fisher information. That of
    # a location of Student's t is (v + 1) / (v + 3), 5/7 for v = 4 (Lange, Little, Taylor 1989).
    told = fisher_information_of_student(STUDENT_FREEDOM)
    assert told == pytest.approx(5.0 / 7.0, rel=1e-3)
    ages = np.arange(2.0, 9.0, 0.5)
    theta = BARLEY.mean[:3]
    fit = fit_shape(on_the_curve(theta, ages), shape=Shape.LOGISTIC, prior=BARLEY)
    np.testing.assert_allclose(fit.theta, theta, atol=1e-6)
    own = slopes(theta, ages).T @ slopes(theta, ages) * told / SIGMA**2
    expected = np.linalg.inv(own + np.linalg.inv(BARLEY.covariance[:3, :3]))
    np.testing.assert_allclose(fit.covariance, expected, rtol=1e-3)
    # Of three parameters, what the prior's share of their precision leaves.
    kept = np.trace(expected @ np.linalg.inv(BARLEY.covariance[:3, :3]))
    assert fit.effective_parameters == pytest.approx(3.0 - kept, rel=1e-3)


def test_a_wrong_reading_makes_nothing_surer() -> None:
    # The only late reading says 5 mm of a tray that had 40 mm before: of the final height hardly
    # more is known than without it, of which one that fits would tell most.
    ages = np.arange(1.0, 4.6, 0.5)
    points = on_the_curve(BARLEY.mean[:3], ages)
    without, misled, told = (
        fit_shape([*points, *late], shape=Shape.LOGISTIC, prior=BARLEY).covariance[0, 0]
        for late in (
            [],
            [GrowthPoint(10.0, 5.0, SIGMA)],
            on_the_curve(BARLEY.mean[:3], np.array([10.0])),
        )
    )
    assert np.sqrt(misled) == pytest.approx(np.sqrt(without), rel=0.1)
    assert np.sqrt(told) < 0.2 * np.sqrt(without)


@pytest.mark.parametrize("half_age", [4.0, 4.5])
def test_a_fast_tray_is_followed_though_one_reading_is_wrong(half_age: float) -> None:
    # Six readings agree on a tray one and a half to two days ahead of what is usual,
    # one does not. From the usual the search first comes upon a curve that calls others wrong.
    theta = np.array([log(170.0), half_age, log(3.0)])
    points = on_the_curve(theta, np.arange(2.0, 9.0))
    points[3] = replace(points[3], value=points[3].value - 35.0)
    fit = fit_shape(points, shape=Shape.LOGISTIC, prior=BARLEY)
    for index in (0, 1, 2, 4, 5, 6):
        value = sigmoid(Shape.LOGISTIC, fit.theta, [points[index].age])[0]
        assert value == pytest.approx(points[index].value, abs=2 * SIGMA)
    assert fit.theta[1] == pytest.approx(half_age, abs=0.1)
