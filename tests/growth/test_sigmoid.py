"""Sigmoids against published values, their own derivatives and their inverses."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trayvision.growth.sigmoid import Shape, age_at_value, landmarks, sigmoid, sigmoid_jacobian

REFERENCE = Path(__file__).parents[1] / "reference_values"

thetas = st.tuples(
    st.floats(-3.0, 6.0), st.floats(-10.0, 200.0), st.floats(-1.0, 5.0), st.floats(-2.5, 2.5)
).map(np.array)
shapes = st.sampled_from(list(Shape))


def gompertz_theta(asymptote: float, b2: float, b3: float) -> np.ndarray:
    """Parameters of y = asymptote * exp(-b2 * b3 ** x), R's SSgompertz."""
    rate = -np.log(b3)
    half = (np.log(b2) - np.log(np.log(2.0))) / rate
    width = (np.log(-np.log(0.1)) - np.log(-np.log(0.9))) / rate
    return np.array([np.log(asymptote), half, np.log(width)])


def test_gompertz_evaluation_of_r_help_page() -> None:
    # Call SSgompertz(log(conc), 4.5, 2.3, 0.7) in R's help page of SSgompertz, at the eight doses
    # of DNase run 1; the values were computed from the page's formula.
    doses = np.unique(
        np.loadtxt(REFERENCE / "dnase_run1.csv", delimiter=",", skiprows=1, usecols=0)
    )
    published = [
        0.00525729, 0.07323255, 0.18049064, 0.36508763, 0.63288772, 0.9725718, 1.3603334,
        1.76786902,
    ]  # fmt: skip
    computed = sigmoid(Shape.GOMPERTZ, gompertz_theta(4.5, 2.3, 0.7), np.log(doses))
    np.testing.assert_allclose(computed, published, rtol=0, atol=1e-7)


def test_landmarks_of_rat42s_certified_curve() -> None:
    # NIST StRD Rat42, certified b1, b2, b3; inflection b2/b3, steepest slope b1 b3/4 and width
    # 2 ln 9/b3 follow by algebra.
    b1, b2, b3 = 72.462237576, 2.6180768402, 0.067359200066
    found = landmarks(Shape.LOGISTIC, [np.log(b1), b2 / b3, np.log(2.0 * np.log(9.0) / b3)])
    assert found.inflection_age == pytest.approx(38.867398, abs=1e-5)
    assert found.max_rate == pytest.approx(1.2202496, abs=1e-5)
    assert found.width_10_90 == pytest.approx(65.239034, abs=1e-5)
    assert found.asymptote == pytest.approx(b1, rel=1e-12)


@given(shape=shapes, theta=thetas)
def test_landmarks_are_the_curves_own(shape: Shape, theta: np.ndarray) -> None:
    theta = theta[: shape.parameters]
    found = landmarks(shape, theta)
    width = found.width_10_90
    ages = found.inflection_age + width * np.array([-1e-3, 0.0, 1e-3])
    low, middle, high = sigmoid(shape, theta, ages)
    assert (high - low) / (2e-3 * width) == pytest.approx(found.max_rate, rel=1e-4)
    # Second difference vanishes at the inflection.
    assert abs(high - 2 * middle + low) < 1e-3 * (high - low)
    tenth, ninth = (
        float(age_at_value(shape, theta, share * found.asymptote)) for share in (0.1, 0.9)
    )
    assert ninth - tenth == pytest.approx(width, rel=1e-7)


@given(shape=shapes, theta=thetas, share=st.floats(0.001, 0.999))
def test_age_at_value_inverts_the_curve(shape: Shape, theta: np.ndarray, share: float) -> None:
    theta = theta[: shape.parameters]
    value = share * np.exp(theta[0])
    age = age_at_value(shape, theta, value)
    assert sigmoid(shape, theta, [float(age)])[0] == pytest.approx(value, rel=1e-6)


@given(shape=shapes, theta=thetas)
def test_derivatives_agree_with_differences(shape: Shape, theta: np.ndarray) -> None:
    theta = theta[: shape.parameters]
    width = np.exp(theta[2])
    ages = theta[1] + width * np.linspace(-1.5, 1.5, 7)
    step = 1e-5 * np.array([1.0, width, 1.0, 1.0])[: len(theta)]
    numeric = np.stack(
        [
            (sigmoid(shape, theta + kick, ages) - sigmoid(shape, theta - kick, ages)) / (2 * size)
            for size, kick in zip(step, np.diag(step), strict=True)
        ],
        axis=-1,
    )
    scale = np.exp(theta[0]) / np.array([1.0, width, 1.0, 1.0])[: len(theta)]
    difference = (sigmoid_jacobian(shape, theta, ages) - numeric) / scale
    assert np.abs(difference).max() < 1e-6


@given(shape=shapes, theta=thetas)
def test_every_curve_rises(shape: Shape, theta: np.ndarray) -> None:
    ages = theta[1] + np.exp(theta[2]) * np.linspace(-2.0, 2.0, 50)
    values = sigmoid(shape, theta[: shape.parameters], ages)
    assert np.all(np.diff(values) >= 0)
    assert values[-1] > values[0]


def test_richards_becomes_logistic_and_approaches_gompertz() -> None:
    ages = np.linspace(0.0, 12.0, 30)
    base = [5.0, 6.0, 1.5]
    logistic = sigmoid(Shape.RICHARDS, [*base, 0.0], ages)
    np.testing.assert_allclose(logistic, sigmoid(Shape.LOGISTIC, base, ages), rtol=1e-12)
    gompertz = sigmoid(Shape.GOMPERTZ, base, ages)
    far, near = (
        np.abs(sigmoid(Shape.RICHARDS, [*base, skew], ages) - gompertz).max()
        for skew in (-1.5, -3.0)
    )
    assert near < 0.3 * far


def test_target_above_asymptote_is_never_reached() -> None:
    theta = np.array([[np.log(100.0), 5.0, 1.0], [np.log(150.0), 5.0, 1.0]])
    ages = age_at_value(Shape.LOGISTIC, theta, 120.0)
    assert np.isinf(ages[0])
    assert np.isfinite(ages[1])


@pytest.mark.parametrize("value", [0.0, -3.0, np.nan, np.inf])
def test_impossible_target_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="value must be positive and finite"):
        age_at_value(Shape.LOGISTIC, [5.0, 5.0, 1.0], value)
