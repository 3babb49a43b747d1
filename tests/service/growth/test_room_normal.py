"""What is normal in a room, between the ages that it is kept at."""

import numpy as np
import pytest

from service.growth.room_normal import RoomNormal

# Invented; a step is left out, as where too few runs reach.
NORMAL = RoomNormal(
    runs=6,
    ages=(1.0, 1.25, 2.0, 2.25),
    low=(3.0, 5.0, 9.0, 8.5),
    median=(4.0, 7.5, 12.0, 11.0),
    high=(6.0, 9.0, 20.0, 21.0),
)


@pytest.mark.parametrize("age", [1.0, 1.1, 1.25, 1.9, 2.0, 2.2, 2.25])
def test_between_ages_it_lies_on_straight_lines(age: float) -> None:
    # Expected: numpy.interp.
    lines = (NORMAL.low, NORMAL.median, NORMAL.high)
    expected = [np.interp(age, NORMAL.ages, line) for line in lines]
    assert NORMAL.at(age) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("age", [0.99, 2.26, -1.0])
def test_beyond_its_ages_it_cannot_be_told(age: float) -> None:
    assert NORMAL.at(age) is None
    assert RoomNormal(runs=2).at(age) is None


def test_climb_never_falls_and_gives_what_is_gained_in_a_day() -> None:
    median, rise = NORMAL.climb
    assert median.tolist() == [4.0, 7.5, 12.0, 12.0]
    # At the ends the slopes of the first and last steps: 3.5 in a quarter of a day, then nothing.
    assert (rise[0], rise[-1]) == (pytest.approx(14.0), pytest.approx(0.0))
