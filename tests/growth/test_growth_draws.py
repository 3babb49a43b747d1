"""Posterior draws of a run's curve against plain draws from the prior weighted by the readings."""

from dataclasses import replace

import numpy as np
import pytest

from trayvision.growth.curve import fit_growth
from trayvision.growth.draws import draw_posterior
from trayvision.growth.fit import GrowthPoint, Readings, fit_shape
from trayvision.growth.prior import Quantity, published_prior
from trayvision.growth.sigmoid import Shape, age_at_value, sigmoid

BARLEY = published_prior(Quantity.HEIGHT, grain="barley")


# Readings that each leave two kinds of curve: a tray that shot up and slowed down, and one that was
# full height on the third day. The spread at the likeliest curve says little of the whole.
@pytest.mark.parametrize(
    "read", [((2.0, 10.0), (4.0, 70.0), (6.0, 125.0)), ((3.1, 190.0), (4.9, 193.0))]
)
def test_an_unusual_run_is_still_drawn_well(read: tuple[tuple[float, float], ...]) -> None:
    points = [GrowthPoint(age, height, 2.0) for age, height in read]
    readings = Readings.of(points, wobble=BARLEY.wobble)
    # Student's t with 4 degrees of freedom: density (1 + z² / 4) ** -2.5.
    rng = np.random.default_rng(5)
    spread = np.sqrt(np.diag(BARLEY.covariance))[:3]
    plain = BARLEY.mean[:3] + spread * rng.standard_normal((400_000, 3))
    misfit = (sigmoid(Shape.LOGISTIC, plain, readings.age) - readings.value) / readings.sigma
    weight = np.prod((1.0 + misfit**2 / 4.0) ** -2.5, axis=1)
    weight /= weight.sum()
    mean = weight @ plain
    sd = np.sqrt(weight @ (plain - mean) ** 2)
    fit = fit_shape(points, shape=Shape.LOGISTIC, prior=BARLEY)
    for seed in range(4):
        drawn = draw_posterior(
            fit, readings=readings, prior=BARLEY, rng=np.random.default_rng(seed)
        )
        # 400 independent draws would give a mean to a twentieth of the spread; the plain draws
        # that count are some hundreds as well.
        assert drawn.effective >= 400
        np.testing.assert_array_less(np.abs(drawn.weight @ drawn.theta - mean), 0.25 * sd)


def test_the_curve_through_the_other_of_two_readings_has_its_due_share() -> None:
    # Two photos of one hour contradict each other: one of them is wrong, the usual speaks for the
    # lower one, and the search settles there. The other curve is met among draws of the prior only.
    points = [GrowthPoint(5.0, 55.0, 1.0), GrowthPoint(5.0, 110.0, 1.0)]
    readings = Readings.of(points, wobble=BARLEY.wobble)
    rng = np.random.default_rng(6)
    spread = np.sqrt(np.diag(BARLEY.covariance))[:3]
    plain = BARLEY.mean[:3] + spread * rng.standard_normal((100_000, 3))
    misfit = (sigmoid(Shape.LOGISTIC, plain, readings.age) - readings.value) / readings.sigma
    weight = np.prod((1.0 + misfit**2 / 4.0) ** -2.5, axis=1)
    tall = sigmoid(Shape.LOGISTIC, plain, [5.0])[:, 0] > 82.0
    share = weight[tall].sum() / weight.sum()
    assert 0.05 < share < 0.4
    fit = fit_shape(points, shape=Shape.LOGISTIC, prior=BARLEY)
    drawn = draw_posterior(
        fit, readings=readings, prior=BARLEY, rng=np.random.default_rng(7), count=20_000
    )
    tall = sigmoid(Shape.LOGISTIC, drawn.theta, [5.0])[:, 0] > 82.0
    assert drawn.weight[tall].sum() == pytest.approx(share, rel=0.15)


def test_shapes_are_mixed_by_what_speaks_for_each() -> None:
    # Nothing was read, so nothing but the prior's own weights speaks. A low target tells the
    # shapes apart: a Gompertz curve leaves the ground late and steeply. Plain Monte Carlo.
    prior = replace(BARLEY, shape_weights=(0.2, 0.8, 0.0))
    curve = fit_growth([], prior=prior)
    drawn = curve.draws(rng=np.random.default_rng(3))
    assert [draws.shape for draws in drawn] == [Shape.LOGISTIC, Shape.GOMPERTZ]
    rng = np.random.default_rng(4)
    early = sum(
        share
        * np.mean(
            age_at_value(shape, rng.multivariate_normal(prior.mean, prior.covariance, 20_000), 4.0)
            < 2.0
        )
        for shape, share in ((Shape.LOGISTIC, 0.2), (Shape.GOMPERTZ, 0.8))
    )
    mixed = sum(
        draws.weight @ (age_at_value(draws.shape, draws.theta, 4.0) < 2.0) for draws in drawn
    )
    assert mixed == pytest.approx(early, abs=0.02)


def test_weights_of_the_shapes_are_those_of_the_criterion() -> None:
    # Burnham and Anderson: exp(-difference of AICc / 2), times the prior's weights, sum 1.
    prior = replace(BARLEY, shape_weights=(0.5, 0.3, 0.2))
    ages = np.arange(1.5, 8.1, 0.5)
    values = sigmoid(Shape.GOMPERTZ, [np.log(200.0), 6.0, np.log(5.5)], ages)
    points = [GrowthPoint(float(a), float(v), 2.0) for a, v in zip(ages, values, strict=True)]
    curve = fit_growth(points, prior=prior)
    logistic, gompertz, richards = (fit.aicc for fit in curve.fits)
    support = [
        0.5 * np.exp(-0.5 * (logistic - gompertz)), 0.3, 0.2 * np.exp(-0.5 * (richards - gompertz)),
    ]  # fmt: skip
    np.testing.assert_allclose(curve.weights, np.array(support) / sum(support), rtol=1e-9)
    drawn = curve.draws(rng=np.random.default_rng(3))
    np.testing.assert_allclose([draws.weight.sum() for draws in drawn], curve.weights, rtol=1e-9)
