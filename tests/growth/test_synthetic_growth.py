"""The simulated runs are what they claim to be."""

import numpy as np
import pytest

from trayvision.growth.sigmoid import Shape, sigmoid
from trayvision.synthetic.growth import ReadingHabits, SyntheticRoom, draw_room, draw_run


def steady_room(*, habits: ReadingHabits) -> SyntheticRoom:
    """Every run the same, at the reference temperature."""
    return SyntheticRoom(
        asymptote_mm=190.0,
        half_age_days=6.0,
        width_days=5.0,
        skew=0.5,
        shelf_days=np.array([0.0, 0.5]),
        asymptote_spread=0.0,
        half_age_spread_days=0.0,
        width_spread=0.0,
        skew_spread=0.0,
        season_c=0.0,
        temperature_spread_c=0.0,
        pace_spread=0.0,
        habits=habits,
    )


def test_true_hour_is_where_the_curve_passes_the_target() -> None:
    room = steady_room(habits=ReadingHabits())
    run = draw_run(room, shelf=1, rng=np.random.default_rng(1))
    days = run.true_hours(130.0) / 24.0
    theta = [np.log(190.0), 6.5, np.log(5.0), np.log(0.5)]
    assert sigmoid(Shape.RICHARDS, theta, [days])[0] == pytest.approx(130.0, rel=1e-3)
    assert np.isinf(run.true_hours(195.0))


def test_warm_run_is_ahead_by_its_temperature() -> None:
    run = draw_run(draw_room(rng=np.random.default_rng(2)), shelf=0, rng=np.random.default_rng(3))
    # Growth keeps pace with the temperature, up to what water and light do (4 %).
    paced = np.cumsum(run.temperature_c) / 19.7 / 24.0
    np.testing.assert_allclose(run.pace_days[24:168], paced[23:167], rtol=0.1)


def test_readings_scatter_as_stated() -> None:
    room = steady_room(habits=ReadingHabits(bed_mm=0.0, outlier_share=0.0, misstated=0.0))
    rng = np.random.default_rng(4)
    theta = [np.log(190.0), 6.0, np.log(5.0), np.log(0.5)]
    pulls = [
        (point.value - sigmoid(Shape.RICHARDS, theta, [point.age])[0]) / point.uncertainty
        for _ in range(60)
        for point in draw_run(room, shelf=0, rng=rng).points
    ]
    assert np.std(pulls) == pytest.approx(1.0, abs=0.08)
    assert np.mean(pulls) == pytest.approx(0.0, abs=0.12)


def test_photos_go_missing_and_readings_go_wrong_as_stated() -> None:
    habits = ReadingHabits(bed_mm=0.0, outlier_share=0.1, missing_photo=0.15, missing_day=0.1)
    room, rng = steady_room(habits=habits), np.random.default_rng(5)
    theta = [np.log(190.0), 6.0, np.log(5.0), np.log(0.5)]
    runs = [draw_run(room, shelf=0, rng=rng) for _ in range(120)]
    points = [point for run in runs for point in run.points]
    # Sixteen rounds, morning and evening of days 1 to 8.
    assert len(points) / len(runs) == pytest.approx(16 * 0.9 * 0.85, rel=0.06)
    far = [
        abs(point.value - sigmoid(Shape.RICHARDS, theta, [point.age])[0]) > 6 * point.uncertainty
        for point in points
    ]
    assert 0.03 < np.mean(far) < 0.11


def test_same_generator_same_run() -> None:
    room = draw_room(rng=np.random.default_rng(6))
    one, other = (draw_run(room, shelf=2, rng=np.random.default_rng(7)) for _ in range(2))
    assert one.points == other.points
    assert one.pace_days.tobytes() == other.pace_days.tobytes()
    assert list(one.points) == sorted(one.points)
    assert one.seen_by(4.0) == tuple(point for point in one.points if point.age <= 4.0)
    assert one.room_readings(1.0)[-1].hours == 23.5
