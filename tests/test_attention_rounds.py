"""Trays are compared as of one round of photos, also while the next one goes on."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

from tests.rooms import at, reading, room, run
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


def test_photo_from_a_clock_that_runs_ahead_is_not_used_yet() -> None:
    runs = batch()
    ahead = reading(3, 7.3, cover=0.01)
    runs[3] = replace(runs[3], readings=(*runs[3].readings, ahead))
    assert at(7.1) < ahead.photo.taken_at < at(7.1) + timedelta(hours=12)
    assert behind(runs, 7.1) == []
