"""Seed left of a lot: what was soaked and then spread is counted once."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.log.told_moments import LONGEST_SOAK
from service.room.seed_stock import used_g

START = datetime(2026, 3, 1, 6, tzinfo=UTC)
DAY = timedelta(days=1)
TAKEN = st.lists(
    st.tuples(st.integers(0, 40), st.integers(1, 5000)).map(
        lambda one: (START + one[0] * DAY, float(one[1]))
    ),
    max_size=12,
)


@pytest.mark.parametrize(
    ("soaked", "spread", "used"),
    [
        # Two kilograms soaked and spread the next day are two kilograms.
        ([(0, 2000)], [(1, 500), (1, 500), (1, 500), (1, 500)], 2000),
        # What stays in the bucket has left the bag too.
        ([(0, 2000)], [(1, 500)], 2000),
        # More spread than was soaked came dry from the bag.
        ([(0, 400)], [(1, 500)], 500),
        # Spread before it was soaked is other seed.
        ([(2, 500)], [(1, 500)], 1000),
        # What was forgotten in water for weeks is not what is spread then.
        ([(0, 500)], [(20, 500)], 1000),
    ],
)
def test_seed_counts_once_on_its_way_through_the_water(
    soaked: list[tuple[int, float]], spread: list[tuple[int, float]], used: float
) -> None:
    def at(taken: list[tuple[int, float]]) -> list[tuple[datetime, float]]:
        return [(START + day * DAY, weight) for day, weight in taken]

    assert used_g(at(soaked), at(spread)) == used


@given(soaked=TAKEN, spread=TAKEN)
def test_what_was_used_lies_between_the_larger_and_the_sum(
    soaked: list[tuple[datetime, float]], spread: list[tuple[datetime, float]]
) -> None:
    wet, dry = (sum(weight for _, weight in taken) for taken in (soaked, spread))
    assert max(wet, dry) - 1e-6 <= used_g(soaked, spread) <= wet + dry + 1e-6
    late = [(at + 41 * DAY + LONGEST_SOAK, weight) for at, weight in spread]
    assert used_g(soaked, late) == pytest.approx(wet + dry)
