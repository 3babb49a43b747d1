"""When cameras take photos: around water, in the light, over both changes of the clocks."""

from datetime import UTC, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.background import delay_seconds
from service.cameras.camera_schedule import (
    CameraSchedule,
    LightSpan,
    WaterCycle,
    is_lit,
    latest_shot,
    next_shots,
    shots_between,
    watering_at,
)

VIENNA = ZoneInfo("Europe/Vienna")
# Vienna: clocks go forward on 29 March 2026 at 02:00, back on 25 October 2026 at 03:00; half an
# hour's change in Lord Howe, none in Kathmandu (UTC+5:45). From the IANA time zone database.
ZONES = st.sampled_from(
    [VIENNA, ZoneInfo("Australia/Lord_Howe"), ZoneInfo("Asia/Kathmandu"), ZoneInfo("UTC")]
)
CLOCKS = st.times(timezones=st.none()).map(lambda clock: clock.replace(second=0, microsecond=0))
MOMENTS = st.integers(0, 360 * 1440).map(
    lambda minutes: datetime(2026, 1, 1, tzinfo=UTC) + timedelta(minutes=minutes)
) | st.sampled_from([datetime(2026, 3, 29, tzinfo=UTC), datetime(2026, 10, 25, tzinfo=UTC)])
SCHEDULES = st.builds(
    CameraSchedule,
    zone=ZONES,
    cycles=st.lists(
        st.builds(WaterCycle, at=CLOCKS, minutes=st.sampled_from([0.0, 2.0, 30.0])), max_size=4
    ).map(tuple),
    lights=st.lists(st.builds(LightSpan, on=CLOCKS, off=CLOCKS), max_size=2).map(tuple),
    also_at=st.lists(CLOCKS, max_size=2).map(tuple),
)


def _local(schedule: CameraSchedule, moments: list[datetime]) -> list[str]:
    return [f"{moment.astimezone(schedule.zone):%d %H:%M}" for moment in moments]


def _at(month: int, day: int, hour: int, minute: int) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=VIENNA)


def test_photos_come_five_minutes_before_and_fifteen_after_water_and_at_noon() -> None:
    schedule = CameraSchedule(VIENNA, cycles=(WaterCycle(time(7), minutes=4), WaterCycle(time(19))))
    shots = next_shots(schedule, _at(3, 2, 0, 0), count=6)
    expected = ["02 06:55", "02 07:19", "02 12:00", "02 18:55", "02 19:15", "03 06:55"]
    assert _local(schedule, shots) == expected


def test_no_photo_is_planned_in_the_dark() -> None:
    schedule = CameraSchedule(
        VIENNA,
        cycles=(WaterCycle(time(6)), WaterCycle(time(22))),
        lights=(LightSpan(time(6), time(22)),),
    )
    shots = next_shots(schedule, _at(3, 2, 0, 0), count=4)
    assert _local(schedule, shots) == ["02 06:15", "02 12:00", "02 21:55", "03 06:15"]


def test_lights_may_burn_over_midnight() -> None:
    schedule = CameraSchedule(VIENNA, lights=(LightSpan(time(20), time(8)),))
    lit = [is_lit(schedule, _at(3, 2, hour, 0)) for hour in (0, 7, 8, 19, 20, 23)]
    assert lit == [True, True, False, False, True, True]


def test_clock_time_that_does_not_exist_is_taken_an_hour_later() -> None:
    schedule = CameraSchedule(VIENNA, also_at=(time(2, 30),))
    assert _local(schedule, next_shots(schedule, _at(3, 28, 12, 0), count=2)) == [
        "29 03:30",
        "30 02:30",
    ]


def test_clock_time_that_comes_twice_is_taken_once() -> None:
    schedule = CameraSchedule(VIENNA, also_at=(time(2, 30),))
    shots = next_shots(schedule, _at(10, 24, 12, 0), count=2)
    assert shots == [datetime(2026, 10, 25, 0, 30, tzinfo=UTC), _at(10, 26, 2, 30)]


def test_minutes_after_water_pass_over_the_change_of_clocks() -> None:
    schedule = CameraSchedule(VIENNA, cycles=(WaterCycle(time(1, 50)),), also_at=())
    assert _local(schedule, next_shots(schedule, _at(3, 29, 0, 0), count=2)) == [
        "29 01:45",
        "29 03:05",
    ]


@given(SCHEDULES, MOMENTS)
def test_shots_come_in_order_in_the_light_and_one_leads_to_the_next(
    schedule: CameraSchedule, now: datetime
) -> None:
    shots = next_shots(schedule, now, count=9)
    assert all(earlier < later for earlier, later in pairwise([now, *shots]))
    assert all(is_lit(schedule, shot) for shot in shots)
    for at, shot in enumerate(shots[:-1]):
        assert next_shots(schedule, shot) == [shots[at + 1]]
        assert latest_shot(schedule, shots[at + 1] - timedelta(seconds=1)) == shot


@given(SCHEDULES, MOMENTS)
def test_looking_back_finds_what_looking_ahead_promised(
    schedule: CameraSchedule, now: datetime
) -> None:
    until = now + timedelta(days=2)
    ahead = [shot for shot in next_shots(schedule, now, count=60) if shot <= until]
    assert shots_between(schedule, now, until) == ahead


@given(SCHEDULES.filter(lambda schedule: not schedule.lights), MOMENTS)
def test_week_has_shots_and_no_more_than_its_clock_times_ask_for(
    schedule: CameraSchedule, now: datetime
) -> None:
    per_day = len(set(schedule.also_at) | {(cycle.at, cycle.minutes) for cycle in schedule.cycles})
    week = shots_between(schedule, now, now + timedelta(days=7))
    assert len(week) <= 7 * (per_day * 2) + 2
    assert bool(week) == bool(schedule.cycles or schedule.also_at)


@given(ZONES, CLOCKS, MOMENTS, st.sampled_from([0.0, 3.0, 20.0]))
def test_planned_photos_are_told_as_before_and_after_water(
    zone: ZoneInfo, clock: time, now: datetime, minutes: float
) -> None:
    schedule = CameraSchedule(zone, cycles=(WaterCycle(clock, minutes),), also_at=())
    for shot in next_shots(schedule, now, count=4):
        told = watering_at(schedule, shot)
        nearest = shots_between(schedule, shot, shot + timedelta(minutes=21 + minutes))
        assert told == ("before" if nearest else "after")


def test_watering_is_not_told_far_from_water_nor_while_it_runs() -> None:
    schedule = CameraSchedule(VIENNA, cycles=(WaterCycle(time(7), minutes=10),))
    told = [
        watering_at(schedule, _at(3, 2, hour, minute))
        for hour, minute in ((6, 20), (6, 35), (6, 59), (7, 5), (7, 10), (7, 39), (7, 45), (12, 0))
    ]
    expected = ["unknown", "before", "before", "unknown", "after", "after", "unknown", "unknown"]
    assert told == expected


def test_between_two_cycles_close_together_a_photo_is_neither() -> None:
    schedule = CameraSchedule(VIENNA, cycles=(WaterCycle(time(7)), WaterCycle(time(7, 30))))
    assert watering_at(schedule, _at(3, 2, 7, 15)) == "unknown"


def test_negative_minutes_are_refused() -> None:
    with pytest.raises(ValueError, match=r"^before must not be negative"):
        CameraSchedule(VIENNA, before=timedelta(minutes=-1))


@given(st.integers(1, 2000), st.floats(0, 1))
def test_pauses_double_up_to_the_longest_and_spread_by_a_quarter(tries: int, chance: float) -> None:
    pause = delay_seconds(tries, first=10.0, most=240.0, chance=chance)
    plain = 10.0 * 2 ** (tries - 1) if tries < 6 else 240.0
    assert 0.75 * plain <= pause <= 1.25 * plain
