"""Possible mould in photos without the kit: a look, in words that claim no size."""

from typing import Any

import pytest

from tests.attention.rooms import at, reading, room, run
from trayvision.attention.attention import all_flags
from trayvision.attention.flags import Flag, FlagKind
from trayvision.attention.readings import TrayReading, UnplacedPatch
from trayvision.attention.state import Level


def by_hand(day: float, *likelihoods: float, look: str = "grey-green", **said: Any) -> TrayReading:
    found = tuple(UnplacedPatch(look, one) for one in likelihoods)
    return reading(
        7, day, in_mm=False, height_mm=None, smallest_patch_mm=None, unplaced=found, **said
    )


def mould(*readings: TrayReading) -> list[Flag]:
    flags = all_flags(room([run(7, readings)], 5.5))
    return [flag for flag in flags if flag.kind is FlagKind.POSSIBLE_MOULD]


def test_likely_patch_asks_for_a_look_and_tells_no_size() -> None:
    (flag,) = mould(reading(7, 3.0), by_hand(4.0, 0.7), by_hand(5.0, 0.2, 0.8))
    assert flag.level is Level.LOOK
    assert flag.reason == (
        "Tray 7, shelf A, day 5: grey-green in a photo without the kit, which cannot tell its size."
    )
    assert " mm" not in flag.reason + flag.look_at
    assert "Look at it before you feed it" in flag.look_at
    assert (flag.since, flag.latest_at, flag.confidence) == (at(4.0), at(5.0), 0.8)
    # No straight-down view shows the place.
    assert flag.evidence == ()


def test_white_fuzz_is_looked_at_after_watering() -> None:
    (flag,) = mould(by_hand(5.0, 0.8, look="white fuzz"))
    assert "Look again after watering" in flag.look_at


@pytest.mark.parametrize(
    "later",
    [by_hand(5.2), by_hand(5.2, 0.3), reading(7, 5.2)],
    ids=["none by hand", "hardly likely", "none with the kit"],
)
def test_later_photo_that_shows_none_ends_it(later: TrayReading) -> None:
    assert mould(by_hand(5.0, 0.8), later) == []


@pytest.mark.parametrize(
    "blind",
    [
        reading(7, 5.2, in_mm=False, height_mm=None, smallest_patch_mm=None),
        reading(7, 5.2, smallest_patch_mm=None),
    ],
    ids=["by hand", "with the kit"],
)
def test_blurred_photo_does_not_end_it(blind: TrayReading) -> None:
    assert len(mould(by_hand(5.0, 0.8), blind)) == 1


def test_other_reasons_show_no_place_in_a_photo_without_the_kit() -> None:
    """The place before is taken from the last photo that has a straight-down view."""
    spoiled = by_hand(5.0, yellow_share=0.9)
    flags = all_flags(room([run(7, [reading(7, 4.5, yellow_share=0.9), spoiled])], 5.2))
    assert flags
    assert all(one.photo_id != spoiled.photo.photo_id for flag in flags for one in flag.evidence)
