"""Trays are compared as of one round of photos, also while the next one goes on."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import timedelta
from math import exp

import pytest

from tests.attention.rooms import at, reading, room, run
from trayvision.attention.attention import find_attention
from trayvision.attention.flags import FlagKind
from trayvision.attention.state import RunState

MORNINGS = ((5, 0.35), (6, 0.6), (7, 0.92))


def batch(slow: Sequence[int] = ()) -> list[RunState]:
    """Six trays that close quickly, photographed one after the other each morning."""
    return [
        run(
            tray,
            [
                reading(tray, day + tray / 100, cover=cover / (12 if tray in slow else 1))
                for day, cover in MORNINGS
            ],
        )
        for tray in range(6)
    ]


def behind(runs: Sequence[RunState], day: float) -> list[tuple[int, ...]]:
    found = find_attention(room(runs, day)).flags
    return [flag.trays for flag in found if flag.kind is FlagKind.BEHIND]


def test_no_tray_is_behind_because_the_others_have_their_new_photo_already() -> None:
    moments = [7 + step / 100 for step in range(-1, 9)]
    assert [behind(batch(), moment) for moment in moments] == [[]] * len(moments)


def test_tray_that_is_behind_stays_so_throughout_the_round() -> None:
    moments = [6.2, *(7 + step / 100 for step in range(9))]
    assert [behind(batch(slow=[3]), moment) for moment in moments] == [[(3,)]] * len(moments)


def twice_a_day(upto: float, slow: Mapping[int, float]) -> list[RunState]:
    """A batch photographed at 07:00 and 17:00 as far as it is seen, some trays days behind."""
    rounds = [day + hours / 24 for day in (3, 4, 5) for hours in (0, 10)]

    def cover(tray: int, day: float) -> float:
        return 1 / (1 + exp(-(day - slow.get(tray, 0.0) - 4.2) / 0.6))

    return [
        run(
            tray,
            [
                reading(tray, moment, cover=cover(tray, moment), height_mm=None)
                for one in rounds
                if (moment := one + tray / 1000) <= upto
            ],
        )
        for tray in range(8)
    ]


def test_no_tray_has_few_shoots_because_its_photo_of_the_evening_is_still_to_come() -> None:
    for step in range(9):
        moment = 3 + 10 / 24 + step / 1000
        found = find_attention(room(twice_a_day(moment, {7: 0.8}), moment)).flags
        assert [flag.reason for flag in found] == []


@pytest.mark.parametrize("day", [4, 5])
def test_tray_that_is_behind_stays_so_throughout_the_round_of_the_evening(day: int) -> None:
    moments = [day + 10 / 24 + step / 1000 for step in range(-1, 9)]
    slow = {3: 1.0, 7: 0.5}
    told = [behind(twice_a_day(one, slow), one) for one in moments]
    assert [(3,) in one for one in told] == [True] * len(moments)


def test_tray_photographed_first_is_not_blamed_for_a_batch_that_stands_still() -> None:
    # Nothing grew since day 4, so that each photo is as many days further behind as passed since
    # the one before: 1.25. All but those with a new photo would be told a photo's age better off.
    for step in range(12):
        now = 7.001 + step / 100
        days = [[day + tray / 100 for day in (4.5, 5.75, 7.0)] for tray in range(12)]
        runs = [
            run(tray, [reading(tray, day, cover=0.3, height_mm=None) for day in seen if day <= now])
            for tray, seen in enumerate(days)
        ]
        assert behind(runs, now) == []


def test_photo_from_a_clock_that_runs_ahead_is_not_used_yet() -> None:
    runs = batch()
    ahead = reading(3, 7.3, cover=0.01)
    runs[3] = replace(runs[3], readings=(*runs[3].readings, ahead))
    assert at(7.1) < ahead.photo.taken_at < at(7.1) + timedelta(hours=12)
    assert behind(runs, 7.1) == []
