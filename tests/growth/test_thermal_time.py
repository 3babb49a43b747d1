"""Thermal time against published tables, closed forms and what must hold for any readings."""

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trayvision.growth.fit import GrowthPoint
from trayvision.growth.thermal_growth import ThermalClock, ahead_uncertainty_c, thermal_points
from trayvision.growth.thermal_time import (
    RoomReading,
    TemperatureResponse,
    thermal_time,
)

PLAIN = TemperatureResponse()


def celsius(fahrenheit: list[float]) -> np.ndarray:
    return (np.array(fahrenheit) - 32.0) / 1.8


def steady(temperature_c: float, days: float, *, every_hours: float = 6.0) -> list[RoomReading]:
    hours = np.arange(0.0, days * 24.0 + 1e-9, every_hours)
    return [RoomReading(float(hour), temperature_c) for hour in hours]


def test_montanas_clipping_rule() -> None:
    # Montana Mesonet (after NDAWN): cut-offs 35 and 80 °F; 32 and 82 °F count as these.
    low, high = celsius([35.0, 80.0])
    response = TemperatureResponse(base_c=0.0, low_c=float(low), high_c=float(high))
    for reading, counted in zip(celsius([32.0, 82.0]), (low, high), strict=True):
        assert response.mean_counted(reading, reading) == pytest.approx(counted, rel=1e-12)


@pytest.mark.parametrize(("temperature_c", "days"), [(22.5, 4.0), (7.5, 16.0)])
def test_brewsters_onions(temperature_c: float, days: float) -> None:
    # Brewster, Onions and Other Vegetable Alliums, eq. 4.6-4.7: base 2.5 °C, 80 °C d to half
    # germination: 4 d at 22.5 °C, 16 d at 7.5 °C.
    past = thermal_time(steady(temperature_c, days), response=TemperatureResponse(base_c=2.5))
    assert float(past.at(days * 24.0)) == pytest.approx(80.0, rel=1e-12)


def test_trapezoid_over_irregular_readings() -> None:
    # By hand: 6 h at a mean of 18, 3 h at a mean of 21, 9 h at a mean of 20 °C.
    readings = [RoomReading(h, t) for h, t in ((0.0, 16.0), (6.0, 20.0), (9.0, 22.0), (18.0, 18.0))]
    past = thermal_time(readings, response=PLAIN)
    assert float(past.at(18.0)) == pytest.approx((6 * 18 + 3 * 21 + 9 * 20) / 24.0, rel=1e-12)


def test_reading_below_the_base_takes_nothing_back() -> None:
    # From -10 to 10 °C in 12 h: half the time above 0 °C, at a mean of 5 °C.
    past = thermal_time([RoomReading(0.0, -10.0), RoomReading(12.0, 10.0)], response=PLAIN)
    assert float(past.at(12.0)) == pytest.approx(6 * 5 / 24.0, rel=1e-12)


def test_straight_run_through_both_cut_offs() -> None:
    # From 0 to 40 °C, counted as 10 below 10 and as 30 above 30 °C: mean 20 °C by symmetry.
    response = TemperatureResponse(low_c=10.0, high_c=30.0)
    assert response.mean_counted(0.0, 40.0) == pytest.approx(20.0, rel=1e-12)
    assert response.mean_counted(40.0, 0.0) == pytest.approx(20.0, rel=1e-12)
    assert response.mean_counted(35.0, 35.0) == 30.0


def test_a_day_at_18_degrees_counts_18() -> None:
    past = thermal_time(steady(18.0, 1.0), response=PLAIN)
    assert float(past.at(24.0)) == pytest.approx(18.0, rel=1e-12)


def test_gap_makes_later_thermal_age_unknown() -> None:
    readings = [RoomReading(h, 20.0) for h in (0.0, 8.0, 16.0, 40.0, 48.0)]
    past = thermal_time(readings, response=PLAIN, longest_gap_hours=12.0)
    assert not past.complete
    assert past.known_until_hours == 16.0 + 6.0
    assert float(past.at(16.0)) == pytest.approx(20.0 * 16 / 24)
    assert np.isnan(past.at(40.0))
    bridged = thermal_time(readings, response=PLAIN, longest_gap_hours=24.0)
    assert bridged.complete
    assert float(bridged.at(40.0)) == pytest.approx(20.0 * 40 / 24)


def test_first_reading_must_come_near_spreading() -> None:
    late = thermal_time([RoomReading(7.0, 20.0), RoomReading(12.0, 20.0)], response=PLAIN)
    assert late.known_until_hours is None
    assert late.mean_c is None
    assert np.all(np.isnan(late.at([0.0, 8.0])))
    soon = thermal_time([RoomReading(5.0, 20.0), RoomReading(12.0, 20.0)], response=PLAIN)
    assert float(soon.at(12.0)) == pytest.approx(10.0)


@pytest.mark.parametrize(("longest_gap_hours", "until"), [(16.0, 12.0 + 6.0), (4.0, 12.0 + 2.0)])
def test_a_last_reading_reaches_half_of_what_is_bridged_and_six_hours_at_most(
    longest_gap_hours: float, until: float
) -> None:
    # Whoever bridges no more than 4 h between two readings does not go 6 h beyond a single one.
    readings = steady(20.0, 0.5, every_hours=3.0)
    past = thermal_time(readings, response=PLAIN, longest_gap_hours=longest_gap_hours)
    assert past.known_until_hours == until
    assert float(past.at(until)) == pytest.approx(20.0 * until / 24.0)


def test_gap_over_the_spreading_is_not_bridged() -> None:
    far = [RoomReading(-20.0, 20.0), RoomReading(7.0, 20.0)]
    assert thermal_time(far, response=PLAIN).known_until_hours is None
    # What was read long before takes nothing from what was read soon after.
    near = [RoomReading(-20.0, 30.0), RoomReading(1.0, 20.0), RoomReading(6.0, 20.0)]
    assert float(thermal_time(near, response=PLAIN).at(6.0)) == pytest.approx(5.0)


def test_morning_and_evening_readings_carry_warmth_across_the_night() -> None:
    # 7:30 and 17:00, at 21 and at 19 °C: 20 °C at the mean of each half day.
    hours = [day * 24.0 + hour for day in range(3) for hour in (0.0, 9.5)]
    readings = [RoomReading(hour, 21.0 if hour % 24 else 19.0) for hour in hours]
    past = thermal_time(readings, response=PLAIN)
    assert past.complete
    assert float(past.at(48.0)) == pytest.approx(40.0)


@pytest.mark.parametrize("added", [100.0, 104.0, 112.0, 113.0, 140.0, -15.0, -30.0])
def test_one_more_reading_takes_no_day_away(added: float) -> None:
    readings = steady(20.0, 4.0)
    before = thermal_time(readings, response=PLAIN)
    after = thermal_time([*readings, RoomReading(added, 20.0)], response=PLAIN)
    assert before.known_until_hours is not None and after.known_until_hours is not None
    assert after.known_until_hours >= before.known_until_hours
    assert float(after.at(102.0)) == pytest.approx(float(before.at(102.0)))


def test_without_readings_nothing_is_known() -> None:
    past = thermal_time([], response=PLAIN)
    assert past.known_until_hours is None
    assert np.isnan(past.at(0.0))


readings_lists = st.lists(
    st.tuples(st.integers(0, 96), st.floats(-5.0, 40.0)), min_size=1, max_size=30
).map(lambda rows: [RoomReading(float(hour), temperature) for hour, temperature in rows])


@given(readings=readings_lists, data=st.data())
def test_order_of_readings_changes_nothing(
    readings: list[RoomReading], data: st.DataObject
) -> None:
    shuffled = data.draw(st.permutations(readings))
    one = thermal_time(readings, response=PLAIN)
    other = thermal_time(shuffled, response=PLAIN)
    assert one.degree_days.tobytes() == other.degree_days.tobytes()
    assert one.hours.tobytes() == other.hours.tobytes()


@given(readings=readings_lists)
def test_thermal_time_never_runs_backwards(readings: list[RoomReading]) -> None:
    past = thermal_time(readings, response=TemperatureResponse(base_c=5.0, high_c=30.0))
    assert np.all(np.diff(past.degree_days) >= 0)
    assert all(later > earlier for earlier, later in pairwise(past.hours))
    if len(past.hours):
        # At most 25 °C count.
        assert past.degree_days[-1] <= 25.0 * past.hours[-1] / 24.0 + 1e-9


@given(readings=readings_lists, added=st.integers(-30, 130))
def test_known_time_never_shrinks(readings: list[RoomReading], added: int) -> None:
    before = thermal_time(readings, response=PLAIN).known_until_hours
    more = [*readings, RoomReading(float(added), 20.0)]
    after = thermal_time(more, response=PLAIN).known_until_hours
    assert before is None or (after is not None and after >= before)


@given(readings=readings_lists, warmer=st.floats(0.0, 10.0))
def test_warmer_room_is_never_behind(readings: list[RoomReading], warmer: float) -> None:
    cool = thermal_time(readings, response=PLAIN)
    warm = thermal_time(
        [RoomReading(r.hours, r.temperature_c + warmer) for r in readings], response=PLAIN
    )
    assert np.all(warm.degree_days >= cool.degree_days - 1e-9)


@given(first=st.floats(-10.0, 45.0), second=st.floats(-10.0, 45.0))
def test_cut_trapezoid_agrees_with_a_fine_sum(first: float, second: float) -> None:
    response = TemperatureResponse(base_c=4.0, low_c=8.0, high_c=27.0)
    fine = np.linspace(first, second, 20_001)
    counted = np.maximum(np.clip(fine, 8.0, 27.0) - 4.0, 0.0)
    assert response.mean_counted(first, second) == pytest.approx(np.mean(counted), abs=2e-3)


def test_points_move_to_thermal_age() -> None:
    past = thermal_time(steady(20.0, 4.0), response=PLAIN)
    points = [
        GrowthPoint(2.0, 10.0, 1.0),
        GrowthPoint(3.5, 30.0, 1.0),
        GrowthPoint(9.0, 120.0, 2.0),
    ]
    moved = thermal_points(points, past=past)
    assert [point.age for point in moved] == pytest.approx([40.0, 70.0])
    assert [point.value for point in moved] == [10.0, 30.0]


def test_clock_reads_the_past_and_expects_the_future() -> None:
    past = thermal_time(steady(20.0, 4.0), response=PLAIN)
    reach = past.known_until_hours
    assert reach == 102.0
    clock = ThermalClock(
        past=past, ahead_c=16.0, ahead_uncertainty_c=0.0, rng=np.random.default_rng(1)
    )
    hours = clock.hours_at(np.array([40.0, 85.0, 101.0, np.inf]))
    expected = [48.0, 102.0, 102.0 + 16.0 / 16.0 * 24.0]
    np.testing.assert_allclose(hours[:3], expected, rtol=1e-12)
    assert np.isinf(hours[3])


def test_clock_without_readings_goes_by_the_expected_temperature() -> None:
    clock = ThermalClock(
        past=thermal_time([], response=PLAIN),
        ahead_c=20.0,
        ahead_uncertainty_c=0.0,
        rng=np.random.default_rng(1),
    )
    np.testing.assert_allclose(clock.hours_at(np.array([0.0, 100.0])), [0.0, 120.0])


def test_unsure_future_spreads_the_hours() -> None:
    clock = ThermalClock(
        past=thermal_time(steady(20.0, 4.0), response=PLAIN),
        ahead_c=20.0,
        ahead_uncertainty_c=1.0,
        rng=np.random.default_rng(1),
    )
    hours = clock.hours_at(np.full(4000, 85.0 + 40.0)) - 102.0
    # 40 °C d at 20 ± 1 °C: 48 h, 5 % of which is 2.4 h.
    assert np.mean(hours) == pytest.approx(48.0, abs=0.3)
    assert np.std(hours) == pytest.approx(2.4, rel=0.1)


def test_a_future_as_unsure_as_it_is_warm_never_turns_time_back() -> None:
    # At 10 ± 10 °C one draw in six is colder than the base, at which growth would run backwards.
    # What is 10 °C d ahead comes after a day at 10 °C, and in ten days at the latest.
    clock = ThermalClock(
        past=thermal_time(steady(20.0, 4.0), response=PLAIN),
        ahead_c=10.0,
        ahead_uncertainty_c=10.0,
        rng=np.random.default_rng(1),
    )
    ahead = clock.hours_at(np.full(4000, 85.0 + 10.0)) - 102.0
    assert ahead.min() > 0.0
    assert ahead.max() == pytest.approx(240.0)
    assert np.median(ahead) == pytest.approx(24.0, rel=0.1)


def test_change_ahead_is_told_from_past_runs() -> None:
    # Two days at 20 °C, then two at 23 °C: the ten runs' change of 3 °C against five of 1 °C.
    # Between the readings of hours 48 and 49 it runs straight: 0.03 °C of the mean.
    readings = [RoomReading(float(h), 20.0 if h <= 48 else 23.0) for h in range(97)]
    history = thermal_time(readings, response=PLAIN)
    short = thermal_time(readings[:30], response=PLAIN)
    found = ahead_uncertainty_c([history] * 10 + [short], from_hours=48.0, for_hours=48.0)
    assert found == pytest.approx(np.sqrt((10 * 9.0 + 5 * 1.0) / 15), rel=0.02)
    assert ahead_uncertainty_c([short], from_hours=48.0, for_hours=48.0) == 1.0
    assert ahead_uncertainty_c([], from_hours=48.0, for_hours=48.0) == 1.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: ahead_uncertainty_c([], from_hours=0.0, for_hours=1.0),
            "from_hours must be positive",
        ),
        (
            lambda: ahead_uncertainty_c([], from_hours=1.0, for_hours=np.inf),
            "for_hours must be positive and finite",
        ),
        (lambda: TemperatureResponse(base_c=np.nan), "base_c must be finite"),
        (lambda: TemperatureResponse(low_c=30.0, high_c=10.0), "low_c must lie below high_c"),
        (lambda: RoomReading(np.inf, 20.0), "hours must be finite"),
        (lambda: RoomReading(0.0, -300.0), "temperature_c must be finite"),
        (
            lambda: thermal_time([], response=PLAIN, longest_gap_hours=0.0),
            "longest_gap_hours must be positive",
        ),
        (
            lambda: ThermalClock(
                past=thermal_time([], response=PLAIN),
                ahead_c=0.0,
                ahead_uncertainty_c=1.0,
                rng=np.random.default_rng(1),
            ),
            "ahead_c must be positive",
        ),
        (
            lambda: ThermalClock(
                past=thermal_time([], response=PLAIN),
                ahead_c=20.0,
                ahead_uncertainty_c=-1.0,
                rng=np.random.default_rng(1),
            ),
            "ahead_uncertainty_c must be finite, at least 0",
        ),
    ],
)
def test_wrong_calls_are_named(call: Callable[[], object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()


@pytest.mark.parametrize(("clock_hours", "drift"), [((7.0, 19.0), 0.0), ((8.0, 16.0), 1.768)])
def test_what_two_readings_a_day_miss_of_a_swing_of_five_degrees(
    clock_hours: tuple[float, float], drift: float
) -> None:
    # Warmest at 15 o'clock. Each of two readings stands for half of the day, as a trapezoid has
    # it: their mean is 20 + 5 (sin(-30°) + sin(150°)) / 2 at 7 and 19, and at 8 and 16 o'clock
    # 20 + 5 (sin(-15°) + sin(105°)) / 2 = 21.768; the day's true mean is 20 °C.
    readings = [
        RoomReading(24.0 * day + hour, 20.0 + 5.0 * np.sin(2.0 * np.pi * (hour - 9.0) / 24.0))
        for day in range(-1, 9)
        for hour in clock_hours
    ]
    counted = thermal_time(readings, response=TemperatureResponse()).at([24.0, 7 * 24.0])
    assert (counted[1] - counted[0]) / 6.0 == pytest.approx(20.0 + drift, abs=1e-3)
