"""What past runs teach: priors, shrinkage, shelves and the room's normal band."""

from dataclasses import replace

import numpy as np
import pytest

from trayvision.growth.curve import GrowthCurve, fit_growth
from trayvision.growth.fit import GrowthPoint
from trayvision.growth.past_runs import LOT_VARIANCE, learn_prior, of_both
from trayvision.growth.prior import GrowthPrior, Quantity, published_prior
from trayvision.growth.shelf_curves import SHELF_VARIANCE, normal_band, shelf_curve
from trayvision.growth.sigmoid import Shape, sigmoid

BARLEY = published_prior(Quantity.HEIGHT, grain="barley")
# A room that is ahead of the middle of the prior's ranges, with its own spread between runs.
OWN_MEAN = np.array([np.log(170.0), 5.0, np.log(4.6), 0.0])
OWN_SPREAD = np.array([0.08, 0.25, 0.06])


def past_curves(
    count: int,
    *,
    seed: int,
    days: float = 8.5,
    lag: float = 0.0,
    sigma: float = 2.0,
    final: float = 1.0,
) -> list[GrowthCurve]:
    rng = np.random.default_rng(seed)
    curves = []
    for _ in range(count):
        theta = OWN_MEAN[:3] + [np.log(final), lag, 0.0] + OWN_SPREAD * rng.standard_normal(3)
        ages = np.arange(0.8, days, 0.5)
        values = sigmoid(Shape.LOGISTIC, theta, ages) + sigma * rng.standard_normal(len(ages))
        points = [
            GrowthPoint(float(age), float(value), sigma)
            for age, value in zip(ages, values, strict=True)
        ]
        curves.append(fit_growth(points, prior=BARLEY))
    return curves


@pytest.fixture(scope="module")
def forty() -> list[GrowthCurve]:
    return past_curves(40, seed=1)


def test_forty_runs_teach_the_rooms_own_figures(forty: list[GrowthCurve]) -> None:
    prior = learn_prior(forty, parent=BARLEY, group="barley in this room")
    error = np.sqrt(np.diag(prior.mean_covariance))[:3]
    assert np.all(np.abs(prior.mean[:3] - OWN_MEAN[:3]) < 3.0 * error)
    # Five pseudo-runs of the parent's wider spread are still in it.
    spread = np.sqrt(np.diag(prior.between_runs))[:3]
    assert np.all(spread > 0.7 * OWN_SPREAD)
    assert np.all(spread < 1.5 * OWN_SPREAD)
    assert prior.runs == 40
    assert prior.origin.startswith("40 past runs of barley in this room")
    assert BARLEY.origin in prior.origin


def test_forty_runs_teach_the_shape(forty: list[GrowthCurve]) -> None:
    prior = learn_prior(forty, parent=BARLEY, group="room")
    logistic, gompertz, _ = prior.shape_weights
    assert logistic > gompertz


def test_the_fewer_the_runs_the_nearer_to_what_was_known(forty: list[GrowthCurve]) -> None:
    shares = []
    for count in (1, 3, 10, 40):
        prior = learn_prior(forty[:count], parent=BARLEY, group="room")
        shares.append(float(np.sqrt(np.diag(prior.mean_covariance))[1]))
        way = (prior.mean[1] - BARLEY.mean[1]) / (OWN_MEAN[1] - BARLEY.mean[1])
        assert 0.0 < way < 1.3
    assert shares == sorted(shares, reverse=True)


def test_shrinkage_of_the_mean_is_the_normal_models() -> None:
    # Closed form for runs known exactly: mean = (prior precision * prior mean + n / spread^2 *
    # runs' mean) / total, with the spread EM arrives at.
    curves = past_curves(12, seed=3, days=14.0, sigma=0.05)
    exact = GrowthPrior(
        BARLEY.mean, BARLEY.between_runs, BARLEY.mean_covariance, 0.0, 0.0, (1.0, 0.0, 0.0), "test"
    )
    curves = [fit_growth(curve.points, prior=exact) for curve in curves]
    prior = learn_prior(curves, parent=exact, group="room")
    runs = np.array([curve.best.theta for curve in curves])
    within = np.linalg.inv(prior.between_runs[:3, :3])
    before = np.linalg.inv(exact.mean_covariance[:3, :3])
    expected = np.linalg.solve(
        before + 12 * within, before @ exact.mean[:3] + 12 * within @ runs.mean(axis=0)
    )
    np.testing.assert_allclose(prior.mean[:3], expected, atol=2e-4)
    centred = runs - prior.mean[:3]
    spread = (5.0 * exact.between_runs[:3, :3] + centred.T @ centred) / (5.0 + 12)
    np.testing.assert_allclose(prior.between_runs[:3, :3], spread, atol=2e-4)
    np.testing.assert_allclose(
        prior.mean_covariance[:3, :3], np.linalg.inv(before + 12 * within), rtol=1e-2, atol=1e-5
    )


def test_run_cut_short_says_little_of_its_final_height() -> None:
    full = learn_prior(past_curves(10, seed=4), parent=BARLEY, group="room")
    short = learn_prior(past_curves(10, seed=4, days=3.6), parent=BARLEY, group="room")
    assert short.mean_covariance[0, 0] > 2.0 * full.mean_covariance[0, 0]
    assert abs(short.mean[0] - BARLEY.mean[0]) < abs(full.mean[0] - BARLEY.mean[0])


def test_no_past_run_leaves_the_parents_figures() -> None:
    prior = learn_prior([], parent=BARLEY, group="room")
    np.testing.assert_array_equal(prior.mean, BARLEY.mean)
    np.testing.assert_allclose(prior.covariance, BARLEY.covariance, rtol=1e-12)
    assert prior.wobble == BARLEY.wobble
    assert prior.runs == 0


def test_order_of_runs_changes_nothing(forty: list[GrowthCurve]) -> None:
    one = learn_prior(forty[:8], parent=BARLEY, group="room")
    other = learn_prior(forty[7::-1], parent=BARLEY, group="room")
    assert one.mean.tobytes() == other.mean.tobytes()
    assert one.covariance.tobytes() == other.covariance.tobytes()
    assert one.shape_weights == other.shape_weights
    assert one.wobble == other.wobble


def test_wobble_is_the_scatter_beyond_what_readings_state() -> None:
    rng = np.random.default_rng(5)
    ages = np.arange(0.8, 8.5, 0.25)
    curves = []
    for _ in range(20):
        values = sigmoid(Shape.LOGISTIC, OWN_MEAN[:3], ages) + 5.0 * rng.standard_normal(len(ages))
        points = [
            GrowthPoint(float(age), float(value), 3.0)
            for age, value in zip(ages, values, strict=True)
        ]
        curves.append(fit_growth(points, prior=BARLEY))
    # Stated 3 mm, real 5 mm: 4 mm are the trays' own.
    prior = learn_prior(curves, parent=BARLEY, group="room")
    assert prior.wobble == pytest.approx(4.0, rel=0.15)


def test_learned_prior_forecasts_narrower_than_published(forty: list[GrowthCurve]) -> None:
    prior = learn_prior(forty, parent=BARLEY, group="room")
    _, published = fit_growth([], prior=BARLEY).at(7.0)
    value, own = fit_growth([], prior=prior).at(7.0)
    assert own < 0.6 * published
    assert value == pytest.approx(sigmoid(Shape.LOGISTIC, OWN_MEAN[:3], [7.0])[0], rel=0.08)


def test_negative_group_variance_is_refused() -> None:
    with pytest.raises(ValueError, match="group_variance must be at least 0, got -1"):
        learn_prior([], parent=BARLEY, group="room", group_variance=-1)


def test_slow_shelf_is_seen_as_far_as_its_runs_show(forty: list[GrowthCurve]) -> None:
    slow = past_curves(12, seed=6, lag=0.6)
    room = learn_prior([*forty, *slow], parent=BARLEY, group="barley in this room")
    ages = np.arange(1.0, 9.0)
    lags = []
    for count in (0, 2, 12):
        shelf = shelf_curve(
            slow[:count], room=room, shelf="top", ages=ages, rng=np.random.default_rng(1)
        )
        assert shelf.runs == count
        assert np.all(shelf.run_low < shelf.run_high)
        assert np.all(np.diff(shelf.mean) > 0)
        lags.append((shelf.lag, shelf.lag_uncertainty))
    assert lags[0][0] == pytest.approx(0.0, abs=1e-12)
    assert 0.0 < lags[1][0] < lags[2][0]
    assert lags[0][1] > lags[1][1] > lags[2][1]
    # 12 of 52 runs are slow, so the room's mean is late by 0.14 d itself.
    assert lags[2][0] == pytest.approx(0.46, abs=2.5 * lags[2][1])


def test_a_slow_shelf_and_a_poor_lot_add_up() -> None:
    # A two-way layout without interaction, as many runs in each cell: there the sum of what sets
    # rows and columns apart is the cell's mean (analysis of variance, from memory).
    usual, slow = past_curves(6, seed=5), past_curves(6, seed=6, lag=1.0)
    poor, both = past_curves(6, seed=7, final=0.6), past_curves(6, seed=8, lag=1.0, final=0.6)
    room = learn_prior([*usual, *slow, *poor, *both], parent=BARLEY, group="room")
    shelf, lot = (
        learn_prior([*group, *both], parent=room, group=name, group_variance=variance)
        for group, name, variance in ((slow, "shelf", SHELF_VARIANCE), (poor, "lot", LOT_VARIANCE))
    )
    added = of_both(shelf, lot, room=room)
    error = np.sqrt(np.diag(added.mean_covariance))[:3]
    truth = OWN_MEAN[:3] + [np.log(0.6), 1.0, 0.0]
    assert np.all(np.abs(added.mean[:3] - truth) < 2.0 * error)
    # Of the shelf alone the final height is not known, of the lot alone not the delay.
    for alone, missed in ((shelf, 0), (lot, 1)):
        left = np.abs(alone.mean[:3] - truth)[missed]
        assert left > 2.0 * np.abs(added.mean[:3] - truth)[missed]
    assert np.all(np.diag(added.mean_covariance) > np.diag(lot.mean_covariance))
    expected = "12 past runs of shelf and 12 past runs of lot, shrunk towards: 24 past runs of room"
    assert added.origin.startswith(expected)


def test_single_runs_scatter_more_than_the_shelfs_mean(forty: list[GrowthCurve]) -> None:
    room = learn_prior(forty, parent=BARLEY, group="room")
    shelf = shelf_curve(
        forty[:10], room=room, shelf="low", ages=[6.0], rng=np.random.default_rng(1)
    )
    assert shelf.run_high[0] - shelf.run_low[0] > 2 * 1.645 * shelf.mean_uncertainty[0]


def test_normal_band_holds_its_share_of_new_runs(forty: list[GrowthCurve]) -> None:
    ages = np.array([4.0, 6.0, 8.0])
    band = normal_band(forty, ages=ages)
    fresh = np.array([curve.at_ages(ages)[0] for curve in past_curves(40, seed=8)])
    inside = ((fresh >= band.low) & (fresh <= band.high)).mean(axis=0)
    assert np.all(inside > 0.7)
    assert np.all(band.runs == 40)


def test_normal_band_says_nothing_where_nothing_was_seen(forty: list[GrowthCurve]) -> None:
    band = normal_band([*forty[:4], fit_growth([], prior=BARLEY)], ages=[5.0])
    assert band.runs[0] == 4
    assert np.isnan(band.median[0])
    late = normal_band(forty, ages=[5.0, 20.0])
    assert late.runs.tolist() == [40, 0]
    assert np.isfinite(late.low[0])
    assert np.isnan(late.low[1])


def test_what_is_normal_ends_a_tenth_after_the_last_photo(forty: list[GrowthCurve]) -> None:
    # All were last seen on day 8.3: a tenth more is day 9.13.
    band = normal_band(forty, ages=[8.3, 9.1, 9.2])
    assert band.runs.tolist() == [40, 40, 0]
    assert np.isfinite(band.median[:2]).all()
    assert np.isnan(band.median[2])


def test_normal_band_refuses_impossible_coverage() -> None:
    with pytest.raises(ValueError, match="coverage must lie between 0 and 1, got 2"):
        normal_band([], ages=[1.0], coverage=2)


# What the prior was made from, shoot height in mm on days 3 to 7. Only the last days' heights were
# published, the days between are worked out: this asks whether the prior was made as it says, not
# whether barley grows so.
@pytest.mark.parametrize(
    ("day", "low", "high"), [(3, 10, 20), (4, 20, 50), (5, 40, 90), (6, 70, 130), (7, 80, 200)]
)
def test_published_prior_spans_the_ranges_that_it_was_made_from(
    day: int, low: float, high: float
) -> None:
    lines = fit_growth([], prior=BARLEY).band([float(day)], rng=np.random.default_rng(1))
    assert lines[0][0] < low
    assert low < lines[1][0] < high
    assert lines[2][0] > high


def test_other_grain_is_barleys_widened_and_says_so() -> None:
    wheat = published_prior(Quantity.HEIGHT, grain="wheat")
    np.testing.assert_array_equal(wheat.mean, BARLEY.mean)
    assert "stand in for wheat" in wheat.origin
    # Half as well again is said of the mean's standard deviation. Its runs scatter like barley's.
    np.testing.assert_allclose(
        np.sqrt(np.diag(wheat.mean_covariance)), 1.5 * np.sqrt(np.diag(BARLEY.mean_covariance))
    )
    np.testing.assert_array_equal(wheat.between_runs, BARLEY.between_runs)


def test_thermal_prior_is_the_same_at_the_reference_temperature() -> None:
    thermal = published_prior(Quantity.HEIGHT, grain="barley", thermal=True)
    days, _ = fit_growth([], prior=BARLEY).at_ages([3.0, 6.0])
    degree_days, _ = fit_growth([], prior=thermal).at_ages([3.0 * 19.7, 6.0 * 19.7])
    np.testing.assert_allclose(degree_days, days, rtol=1e-9)
    assert "19.7 °C" in thermal.origin


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"mean": np.zeros(3)}, r"mean must be finite of shape \(4,\)"),
        ({"between_runs": -np.eye(4)}, "must be positive definite"),
        ({"wobble": -1.0}, "wobble must be finite, at least 0"),
        ({"pace_noise": np.nan}, "pace_noise must be finite, at least 0"),
        ({"ceiling": 0.0}, "ceiling must be positive"),
        ({"shape_weights": (0.5, 0.5, 0.5)}, "shape_weights must be 3 shares that sum to 1"),
    ],
)
def test_impossible_prior_is_refused(change: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        replace(BARLEY, **change)  # type: ignore[arg-type]


def test_impossible_age_unit_is_refused() -> None:
    with pytest.raises(ValueError, match="factor must be positive and finite, got 0"):
        BARLEY.in_age_unit(0, origin="none")


def test_likeliest_shape_is_that_of_a_run_without_readings() -> None:
    prior = replace(BARLEY, shape_weights=(0.2, 0.5, 0.3))
    assert prior.likeliest_shape is Shape.GOMPERTZ
    for one in (BARLEY, prior):
        assert one.likeliest_shape is fit_growth([], prior=one).best.shape
