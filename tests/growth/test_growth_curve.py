"""Growth fits against certified values, and what must hold for any run's points."""

from dataclasses import replace
from math import inf, log
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from trayvision.growth.curve import GrowthCurve, fit_growth
from trayvision.growth.fit import GrowthPoint, ShapeFit, fit_shape
from trayvision.growth.prior import GrowthPrior, Quantity, published_prior
from trayvision.growth.sigmoid import Shape, sigmoid

REFERENCE = Path(__file__).parents[1] / "reference_values"
BARLEY = published_prior(Quantity.HEIGHT, grain="barley")


def read_points(name: str, *, x: int, y: int, log_x: bool = False) -> list[GrowthPoint]:
    rows = np.loadtxt(REFERENCE / name, delimiter=",", skiprows=1)
    ages = np.log(rows[:, x]) if log_x else rows[:, x]
    return [
        GrowthPoint(float(age), float(value), 1.0)
        for age, value in zip(ages, rows[:, y], strict=True)
    ]


def vague(start: list[float]) -> GrowthPrior:
    """A prior that only says where to start."""
    return GrowthPrior(
        mean=np.array([*start, 0.0][:4]),
        between_runs=np.eye(4) * 1e12,
        mean_covariance=np.zeros((4, 4)),
        wobble=0.0,
        pace_noise=0.0,
        shape_weights=(1 / 3, 1 / 3, 1 / 3),
        origin="none",
    )


def least_squares_fit(points: list[GrowthPoint], shape: Shape, start: list[float]) -> ShapeFit:
    return fit_shape(points, shape=shape, prior=vague(start), freedom=inf)


def nist_to_theta(b: tuple[float, ...]) -> list[float]:
    """NIST's b1, b2, b3[, b4] of y = b1 / (1 + exp(b2 - b3 x)) ** (1 / b4)."""
    b1, b2, b3, *rest = b
    skew = rest[0] if rest else 1.0
    u10, u50, u90 = (-log((share**-skew - 1.0) / skew) for share in (0.1, 0.5, 0.9))
    inflection = (b2 - log(skew)) / b3
    return [log(b1), inflection + u50 / b3, log((u90 - u10) / b3), log(skew)]


def theta_to_nist(theta: np.ndarray) -> np.ndarray:
    skew = float(np.exp(theta[3])) if len(theta) == 4 else 1.0
    u10, u50, u90 = (-log((share**-skew - 1.0) / skew) for share in (0.1, 0.5, 0.9))
    b3 = (u90 - u10) / np.exp(theta[2])
    b2 = b3 * (theta[1] - u50 / b3) + log(skew)
    return np.array([np.exp(theta[0]), b2, b3, skew][: len(theta)])


def nist_deviations(fit: ShapeFit, degrees: int) -> np.ndarray:
    """Standard deviations of NIST's parameters, their scatter taken from the residuals."""
    steps = np.diag(1e-6 * np.sqrt(np.diag(fit.covariance)))
    jacobian = np.stack(
        [
            (theta_to_nist(fit.theta + kick) - theta_to_nist(fit.theta - kick)) / (2 * kick.sum())
            for kick in steps
        ],
        axis=1,
    )
    covariance = jacobian @ fit.covariance @ jacobian.T * fit.deviance / degrees
    return np.asarray(np.sqrt(np.diag(covariance)))


# NIST StRD, nonlinear regression, file Rat42.dat: certified values, both starts.
@pytest.mark.parametrize("start", [(100.0, 1.0, 0.1), (75.0, 2.5, 0.07)])
def test_rat42_certified(start: tuple[float, ...]) -> None:
    points = read_points("rat42.csv", x=1, y=0)
    fit = least_squares_fit(points, Shape.LOGISTIC, nist_to_theta(start))
    np.testing.assert_allclose(
        theta_to_nist(fit.theta), [72.462237576, 2.6180768402, 0.067359200066], rtol=1e-6
    )
    assert fit.deviance == pytest.approx(8.0565229338, rel=1e-8)
    assert np.sqrt(fit.deviance / 6) == pytest.approx(1.1587725499, rel=1e-8)
    np.testing.assert_allclose(
        nist_deviations(fit, 6), [1.7340283401, 0.088295217536, 0.0034465663377], rtol=1e-4
    )


# NIST StRD, file Rat43.dat: certified values, both starts.
@pytest.mark.parametrize("start", [(100.0, 10.0, 1.0, 1.0), (700.0, 5.0, 0.75, 1.3)])
def test_rat43_certified(start: tuple[float, ...]) -> None:
    points = read_points("rat43.csv", x=1, y=0)
    fit = least_squares_fit(points, Shape.RICHARDS, nist_to_theta(start))
    np.testing.assert_allclose(
        theta_to_nist(fit.theta),
        [699.64151270, 5.2771253025, 0.75962938329, 1.2792483859],
        rtol=1e-5,
    )
    assert fit.deviance == pytest.approx(8786.4049080, rel=1e-8)
    # Nine degrees of freedom are NIST's own; 15 points less 4 parameters would be eleven.
    assert np.sqrt(fit.deviance / 11) == pytest.approx(28.262414662, rel=1e-8)
    np.testing.assert_allclose(
        nist_deviations(fit, 11), [16.302297817, 2.0828735829, 0.19566123451, 0.68761936385],
        rtol=1e-4,
    )  # fmt: skip


def test_logistic_of_dnase_run_1() -> None:
    # R's documented example SSlogis(log(conc), Asym, xmid, scal) on DNase run 1: estimates,
    # standard errors and residual standard error on 13 degrees of freedom.
    points = read_points("dnase_run1.csv", x=0, y=1, log_x=True)
    fit = least_squares_fit(points, Shape.LOGISTIC, [log(2.0), 1.0, log(4.0)])
    span = 2.0 * log(9.0)
    asymptote, middle, scale = np.exp(fit.theta[0]), fit.theta[1], np.exp(fit.theta[2]) / span
    np.testing.assert_allclose(
        [asymptote, middle, scale], [2.34518, 1.48309, 1.04146], rtol=0, atol=5e-5
    )
    error = np.sqrt(np.diag(fit.covariance) * fit.deviance / 13) * [asymptote, 1.0, scale]
    np.testing.assert_allclose(error, [0.07815, 0.08135, 0.03227], rtol=0, atol=5e-5)
    assert np.sqrt(fit.deviance / 13) == pytest.approx(0.01919, abs=5e-5)


def test_gompertz_of_dnase_run_1() -> None:
    # Model of R's SSgompertz, y = A exp(-b2 b3^x), on the same data; computed with an independent
    # least-squares routine.
    points = read_points("dnase_run1.csv", x=0, y=1, log_x=True)
    fit = least_squares_fit(points, Shape.GOMPERTZ, [log(4.0), 2.0, log(8.0)])
    rate = (log(-log(0.1)) - log(-log(0.9))) / np.exp(fit.theta[2])
    b2 = log(2.0) * np.exp(rate * fit.theta[1])
    np.testing.assert_allclose(
        [np.exp(fit.theta[0]), b2, np.exp(-rate)], [4.60333, 2.27134, 0.716466], rtol=1e-4
    )
    assert fit.deviance == pytest.approx(0.00936164, rel=1e-4)


def test_gompertz_is_the_wrong_model_for_rat42() -> None:
    # Gompertz on Rat42, computed: A 82.8322, b 1.22371, c 0.0370749, RSS 21.7940, 2.7 times the
    # logistic's certified 8.0565.
    points = read_points("rat42.csv", x=1, y=0)
    fit = least_squares_fit(points, Shape.GOMPERTZ, [log(75.0), 40.0, log(60.0)])
    rate = (log(-log(0.1)) - log(-log(0.9))) / np.exp(fit.theta[2])
    shift = log(log(2.0)) + rate * fit.theta[1]
    np.testing.assert_allclose(
        [np.exp(fit.theta[0]), shift, rate], [82.8322, 1.22371, 0.0370749], rtol=1e-4
    )
    assert fit.deviance == pytest.approx(21.7940, rel=1e-4)


def test_aicc_picks_the_logistic_on_rat42() -> None:
    # Certified residual standard deviation as the points' uncertainty.
    points = [
        GrowthPoint(point.age, point.value, 1.1587725499)
        for point in read_points("rat42.csv", x=1, y=0)
    ]
    curve = fit_growth(points, prior=vague([log(75.0), 40.0, log(60.0)]))
    assert curve.best.shape is Shape.LOGISTIC
    assert curve.best.aicc == min(fit.aicc for fit in curve.fits)
    assert curve.landmarks.inflection_age == pytest.approx(38.867398, abs=0.5)


def test_aicc_is_the_textbook_formula() -> None:
    # Hurvich & Tsai (1989): deviance + 2 k + 2 k (k + 1) / (n - k - 1); n 9, k 3 on Rat42.
    points = read_points("rat42.csv", x=1, y=0)
    fit = least_squares_fit(points, Shape.LOGISTIC, [log(75.0), 40.0, log(60.0)])
    assert fit.aicc == pytest.approx(8.0565229338 + 6.0 + 24.0 / 5.0, rel=1e-8)


def run_points(
    theta: np.ndarray, ages: np.ndarray, *, seed: int, sigma: float = 2.5
) -> list[GrowthPoint]:
    noise = np.random.default_rng(seed).normal(0.0, sigma, len(ages))
    values = sigmoid(Shape.RICHARDS, theta, ages) + noise
    return [
        GrowthPoint(float(age), float(value), sigma)
        for age, value in zip(ages, values, strict=True)
    ]


@st.composite
def runs(draw: st.DrawFn, *, fewest: int = 3) -> list[GrowthPoint]:
    """Noisy readings of a plausible run at irregular ages."""
    theta = np.array(
        [
            draw(st.floats(4.9, 5.6)),
            draw(st.floats(5.0, 7.0)),
            draw(st.floats(1.4, 2.0)),
            draw(st.floats(-1.5, 0.5)),
        ]
    )
    count = draw(st.integers(fewest, 14))
    seed = draw(st.integers(0, 10_000))
    ages = np.sort(np.random.default_rng(seed).uniform(0.5, 8.5, count))
    return run_points(theta, ages, seed=seed + 1)


AGES = np.linspace(0.0, 10.0, 21)


def assert_same(one: GrowthCurve, other: GrowthCurve, *, ages: np.ndarray) -> None:
    for mine, theirs in zip(one.at_ages(AGES), other.at_ages(ages), strict=True):
        np.testing.assert_allclose(theirs, mine, rtol=1e-4, atol=1e-3)


@given(points=runs(), shift=st.floats(-20.0, 20.0))
@settings(max_examples=25)
def test_shifting_time_shifts_the_curve(points: list[GrowthPoint], shift: float) -> None:
    moved = [GrowthPoint(p.age + shift, p.value, p.uncertainty) for p in points]
    prior = replace(BARLEY, mean=BARLEY.mean + [0.0, shift, 0.0, 0.0])
    assert_same(fit_growth(points, prior=BARLEY), fit_growth(moved, prior=prior), ages=AGES + shift)


@given(points=runs(), factor=st.floats(0.05, 50.0))
@settings(max_examples=25)
def test_time_unit_does_not_matter(points: list[GrowthPoint], factor: float) -> None:
    scaled = [GrowthPoint(p.age * factor, p.value, p.uncertainty) for p in points]
    prior = BARLEY.in_age_unit(factor, origin="scaled")
    assert_same(
        fit_growth(points, prior=BARLEY), fit_growth(scaled, prior=prior), ages=AGES * factor
    )


@given(points=runs(), factor=st.floats(0.01, 30.0))
@settings(max_examples=25)
def test_unit_of_height_does_not_matter(points: list[GrowthPoint], factor: float) -> None:
    scaled = [GrowthPoint(p.age, p.value * factor, p.uncertainty * factor) for p in points]
    prior = replace(
        BARLEY, mean=BARLEY.mean + [np.log(factor), 0.0, 0.0, 0.0], wobble=BARLEY.wobble * factor
    )
    mine = fit_growth(points, prior=BARLEY).at_ages(AGES)
    theirs = fit_growth(scaled, prior=prior).at_ages(AGES)
    for one, other in zip(mine, theirs, strict=True):
        np.testing.assert_allclose(other / factor, one, rtol=1e-4, atol=1e-3)


@given(points=runs(), data=st.data())
@settings(max_examples=25)
def test_order_of_arrival_changes_nothing(points: list[GrowthPoint], data: st.DataObject) -> None:
    late = data.draw(st.permutations(points))
    one, other = fit_growth(points, prior=BARLEY), fit_growth(late, prior=BARLEY)
    assert one.points == other.points
    assert one.weights == other.weights
    for mine, theirs in zip(one.fits, other.fits, strict=True):
        assert mine.theta.tobytes() == theirs.theta.tobytes()
        assert mine.covariance.tobytes() == theirs.covariance.tobytes()


@given(points=runs(fewest=0))
@settings(max_examples=25)
def test_curve_rises_whatever_the_points(points: list[GrowthPoint]) -> None:
    value, _ = fit_growth(points, prior=BARLEY).at_ages(np.linspace(-2.0, 20.0, 60))
    assert np.all(np.diff(value) >= 0)
    assert np.all(value > 0)


@given(points=runs(fewest=6), keep=st.integers(1, 3))
@settings(max_examples=25)
def test_fewer_points_leave_more_open(points: list[GrowthPoint], keep: int) -> None:
    # Without noise, so that only the number of the points differs, not what they say.
    exact = [
        GrowthPoint(p.age, float(sigmoid(Shape.LOGISTIC, BARLEY.mean[:3], [p.age])[0]), 2.5)
        for p in points
    ]
    fewer = exact[:: keep + 1]
    ages = np.linspace(1.0, 9.0, 17)
    slack = 1.0 + 1e-6
    # Readings that are wrong together share what they say, so that one more can move a little of
    # it from one direction to another: each direction alone is asked of independent ones.
    apart = replace(BARLEY, alike_within=0.0)
    full = fit_shape(exact, shape=Shape.LOGISTIC, prior=apart)
    part = fit_shape(fewer, shape=Shape.LOGISTIC, prior=apart)
    assert np.linalg.eigvalsh(part.covariance * slack - full.covariance).min() > -1e-9
    _, all_open = fit_growth(exact, prior=BARLEY).at_ages(ages)
    _, more_open = fit_growth(fewer, prior=BARLEY).at_ages(ages)
    assert more_open.mean() > all_open.mean()


@given(
    points=runs(fewest=8),
    age=st.floats(1.0, 8.0),
    miss=st.floats(30.0, 150.0),
    above=st.booleans(),
)
@settings(max_examples=40)
def test_one_wrong_reading_does_not_bend_the_curve(
    points: list[GrowthPoint], age: float, miss: float, above: bool
) -> None:
    # Alone in a gap of days a wrong reading is all that is known of it: nothing there denies it.
    assume(any(0 <= age - one.age <= 1 for one in points))
    assume(any(0 <= one.age - age <= 1 for one in points))
    clean = fit_growth(points, prior=BARLEY)
    value, uncertainty = clean.at_ages(AGES)
    wrong = GrowthPoint(age, clean.at(age)[0] + (miss if above else -miss), 2.5)
    bent, _ = fit_growth([*points, wrong], prior=BARLEY).at_ages(AGES)
    assert np.all(np.abs(bent - value) < uncertainty)


def test_no_point_gives_the_prior_with_its_full_width() -> None:
    curve = fit_growth([], prior=BARLEY)
    low, median, high = curve.band([7.0], rng=np.random.default_rng(1))
    # The range that the prior was made from: 80 to 200 mm on day 7. No series by day is published.
    assert low[0] < 80.0
    assert high[0] > 200.0
    assert 100.0 < median[0] < 170.0
    assert curve.weights == BARLEY.shape_weights
    for fit in curve.fits:
        np.testing.assert_allclose(fit.theta, BARLEY.mean[: fit.shape.parameters], atol=1e-12)
        assert fit.effective_parameters == 0.0


def test_each_point_narrows_the_curve() -> None:
    points = [GrowthPoint(3.1, 16.0, 2.0), GrowthPoint(4.0, 33.0, 2.0), GrowthPoint(5.2, 70.0, 2.5)]
    open_at_7 = [fit_growth(points[:count], prior=BARLEY).at(7.0)[1] for count in range(4)]
    assert open_at_7 == sorted(open_at_7, reverse=True)
    assert open_at_7[3] > 5.0


def test_stated_uncertainty_is_the_real_error() -> None:
    # Runs drawn from the prior itself: rms of (curve - truth) / uncertainty must be about 1.
    rng = np.random.default_rng(11)
    ages = np.arange(0.8, 6.5, 0.5)
    pulls = []
    for seed in range(60):
        theta = rng.multivariate_normal(BARLEY.mean, BARLEY.covariance)
        points = run_points(theta, ages, seed=seed, sigma=np.hypot(2.0, BARLEY.wobble))
        stated = [GrowthPoint(p.age, p.value, 2.0) for p in points]
        curve = fit_growth(stated, prior=BARLEY)
        value, uncertainty = curve.at_ages([4.0, 6.0, 7.0])
        truth = sigmoid(Shape.RICHARDS, theta, [4.0, 6.0, 7.0])
        pulls.append((value - truth) / uncertainty)
    rms = np.sqrt(np.mean(np.square(pulls), axis=0))
    assert np.all(rms > 0.7)
    assert np.all(rms < 1.3)


def test_prediction_interval_holds_new_readings() -> None:
    rng = np.random.default_rng(12)
    ages = np.arange(0.8, 6.5, 0.5)
    held = []
    for seed in range(60):
        theta = rng.multivariate_normal(BARLEY.mean, BARLEY.covariance)
        points = run_points(theta, np.append(ages, 6.8), seed=seed, sigma=2.5)
        stated = [GrowthPoint(p.age, p.value, 2.0) for p in points]
        low, high = fit_growth(stated[:-1], prior=BARLEY).interval(6.8, reading_uncertainty=2.0)
        held.append(low <= points[-1].value <= high)
    # 90 % of 60 is 54; 99 % of such counts lie between 48 and 59 (binomial).
    assert 48 <= sum(held) <= 59


def test_a_further_reading_scatters_by_the_trays_own_unevenness_too() -> None:
    # A curve known beyond doubt, a tray that departs from it by 3 mm and a reading good to 4 mm: by
    # Pythagoras 5 mm, 1.645 of which hold nine of ten readings and 1.96 nineteen of twenty.
    known = replace(
        BARLEY, between_runs=1e-10 * np.eye(4), mean_covariance=np.zeros((4, 4)), wobble=3.0
    )
    curve = fit_growth([], prior=known)
    middle = float(sigmoid(Shape.LOGISTIC, BARLEY.mean[:3], [BARLEY.mean[1]])[0])
    for coverage, sigmas in ((0.9, 1.645), (0.95, 1.960)):
        low, high = curve.interval(6.0, reading_uncertainty=4.0, coverage=coverage)
        assert (high - low) / 2.0 == pytest.approx(sigmas * 5.0, rel=1e-3)
        assert (high + low) / 2.0 == pytest.approx(middle, rel=1e-3)


def test_five_readings_leave_the_shape_open_and_six_may_tell_it() -> None:
    # Exact readings of a Gompertz curve. AICc of n readings and k parameters divides by n - k - 1:
    # with the four of a Richards curve nothing is defined below six.
    ages = np.array([1.5, 3.0, 4.0, 5.0, 6.5, 8.0])
    values = sigmoid(Shape.GOMPERTZ, [log(200.0), 4.5, log(5.0)], ages)
    points = [GrowthPoint(float(a), float(v), 0.3) for a, v in zip(ages, values, strict=True)]
    prior = replace(BARLEY, wobble=0.0, shape_weights=(0.5, 0.2, 0.3))
    assert fit_growth(points[:5], prior=prior).weights == (0.5, 0.2, 0.3)
    assert fit_growth(points, prior=prior).weights[1] > 0.99


def test_back_dated_reading_counts_as_if_it_had_come_in_time() -> None:
    points = run_points(BARLEY.mean, np.array([2.0, 3.0, 4.0, 5.0]), seed=3)
    in_time = fit_growth(points, prior=BARLEY)
    back_dated = fit_growth([points[0], points[2], points[3], points[1]], prior=BARLEY)
    assert in_time.at(6.0) == back_dated.at(6.0)


def test_cover_saturates_below_one() -> None:
    prior = published_prior(Quantity.COVER, grain="barley")
    points = [
        GrowthPoint(age, cover, 0.01)
        for age, cover in ((3.0, 0.10), (4.0, 0.42), (5.0, 0.80), (6.0, 0.94), (7.0, 0.96))
    ]
    value, uncertainty = fit_growth(points, prior=prior).at(9.0)
    assert 0.94 < value < 1.0
    assert uncertainty < 0.03


def test_cover_never_passes_the_whole_tray() -> None:
    prior = published_prior(Quantity.COVER, grain="barley")
    full = [GrowthPoint(age, 1.0, 0.02) for age in (6.0, 7.0, 8.0, 9.0)]
    for points in ([], full):
        curve = fit_growth(points, prior=prior)
        _, _, high = curve.band([5.0, 8.0, 12.0], rng=np.random.default_rng(1))
        assert np.all(high <= 1.0)
        assert np.all(curve.at_ages([5.0, 8.0, 12.0])[0] <= 1.0)


@pytest.mark.parametrize(
    ("numbers", "message"),
    [
        ((np.nan, 1.0, 1.0), "age must be finite"),
        ((1.0, np.inf, 1.0), "value must be finite"),
        ((1.0, 1.0, 0.0), "uncertainty must be positive"),
    ],
)
def test_impossible_point_is_refused(numbers: tuple[float, float, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        GrowthPoint(*numbers)


def test_wrong_calls_are_named() -> None:
    curve = fit_growth([], prior=BARLEY)
    with pytest.raises(ValueError, match=r"coverage must lie between 0 and 1, got 1\.5"):
        curve.interval(3.0, reading_uncertainty=1.0, coverage=1.5)
    with pytest.raises(ValueError, match="coverage must lie between 0 and 1, got 0"):
        curve.band([3.0], rng=np.random.default_rng(1), coverage=0)
    with pytest.raises(ValueError, match="freedom must be positive, got 0"):
        fit_shape([], shape=Shape.LOGISTIC, prior=BARLEY, freedom=0)
