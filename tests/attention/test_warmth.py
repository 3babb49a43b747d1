"""Mean temperature of a shelf: over time, and its own thermometer before the room's."""

from datetime import timedelta

import pytest

from tests.attention.rooms import at, room
from trayvision.attention.state import AirReading
from trayvision.attention.warmth import ShelfWarmth


def warmth(*readings: AirReading, shelf: str | None = "top") -> float | None:
    return ShelfWarmth(room([], 5.0, air=readings)).of_shelf(shelf)


def test_many_readings_of_one_hour_weigh_no_more_than_two() -> None:
    # By hand: 12 h from 16 to 20 °C, a mean of 18; then an hour at 20 °C.
    readings = [AirReading(at(4.0), "top", 16.0)]
    readings += [AirReading(at(4.5) + timedelta(minutes=m), "top", 20.0) for m in range(0, 61, 5)]
    assert warmth(*readings) == pytest.approx((12 * 18 + 1 * 20) / 13)


def test_a_logger_in_the_room_does_not_outvote_the_shelf() -> None:
    own = [AirReading(at(day), "top", 24.0) for day in (3.0, 3.5, 4.0)]
    logger = [AirReading(at(3.0) + timedelta(minutes=15 * n), None, 18.0) for n in range(96)]
    assert warmth(*own, *logger) == 24.0
    assert warmth(*own, *logger, shelf="low") == pytest.approx(18.0)
    # Where the shelf's own are days apart, the room's stand between them.
    assert 18.0 < (warmth(own[0], AirReading(at(5.0), "top", 24.0), *logger) or 0.0) < 24.0


def test_single_readings_are_better_than_none() -> None:
    assert warmth() is None
    assert warmth(AirReading(at(2.0), "top", 18.0), AirReading(at(4.0), "top", 20.0)) == 19.0
    assert warmth(AirReading(at(5.1), "top", 18.0)) is None
