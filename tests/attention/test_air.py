"""Air as a reason to look: as it is, as it was read last, as far as it went."""

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.attention.rooms import air, at, healthy, room
from trayvision.attention.air import air_key
from trayvision.attention.air_bands import words_beyond
from trayvision.attention.attention import find_attention
from trayvision.attention.flags import Flag, FlagKind
from trayvision.attention.state import AirReading, Answer, AnswerKind, Level, RoomState

HOUR = timedelta(hours=1)


def only(found: RoomState, kind: FlagKind) -> Flag:
    (flag,) = [flag for flag in find_attention(found).flags if flag.kind is kind]
    return flag


def kinds(found: RoomState) -> list[FlagKind]:
    return [flag.kind for flag in find_attention(found).flags]


def told(*readings: AirReading, day: float = 5.0) -> Flag | None:
    """What is said of the air by hand-written readings."""
    flags = find_attention(room([healthy(1, day)], day, air=readings)).flags
    assert len(flags) <= 1
    return flags[0] if flags else None


def test_a_hot_room_is_one_flag_and_not_eleven() -> None:
    shelves = [f"shelf {number}" for number in range(11)]
    runs = [healthy(number, 5.0, shelf=shelf) for number, shelf in enumerate(shelves)]
    hot = [one for shelf in shelves for one in air(shelf, 3, temperature_c=25.5)]
    flag = only(room(runs, 5.0, air=tuple(hot)), FlagKind.HOT_OR_HUMID)
    assert flag.trays == tuple(range(11))
    assert flag.reason == "The room has been hot (26 °C) since Sat 7 Mar 05:00."
    american = only(room(runs, 5.0, air=tuple(hot), in_fahrenheit=True), FlagKind.HOT_OR_HUMID)
    assert american.reason == "The room has been hot (78 °F) since Sat 7 Mar 05:00."
    one_cool = tuple(replace(o, temperature_c=19.0) if o.shelf == "shelf 3" else o for o in hot)
    assert len(kinds(room(runs, 5.0, air=one_cool))) == 10


def test_a_hot_shelf_is_named_alone() -> None:
    runs = [healthy(1, 5.0, shelf="top"), healthy(2, 5.0, shelf="low")]
    readings = (*air("top", 3, temperature_c=25.0), *air("low", 3, temperature_c=20.0))
    flag = only(room(runs, 5.0, air=readings), FlagKind.HOT_OR_HUMID)
    assert (flag.trays, flag.reason[:25]) == ((1,), "top has been hot (25 °C) ")


# Bands of the job: look below 13 or above 24 °C for 2 h, act above 27 °C; above 80 % for 6 h or
# below 45 %.
@pytest.mark.parametrize(
    ("hours", "said", "expected"),
    [
        (2, {"temperature_c": 24.5}, "hot"), (1, {"temperature_c": 24.5}, None),
        (5, {"temperature_c": 24.0}, None), (0, {"temperature_c": 27.5}, "too hot"),
        (0, {"temperature_c": -0.5}, "freezing"), (2, {"temperature_c": 0.5}, "cold"),
        (2, {"temperature_c": 12.5}, "cold"), (2, {"temperature_c": 13.0}, None),
        (6, {"humidity_percent": 81.0}, "humid"), (5, {"humidity_percent": 81.0}, None),
        (0, {"humidity_percent": 44.0}, "dry"), (9, {"humidity_percent": 60.0}, None),
    ],
)  # fmt: skip
def test_air_bands(hours: int, said: dict[str, float], expected: str | None) -> None:
    found = room([healthy(1, 5.0)], 5.0, air=tuple(air(None, hours, **said)))
    reasons = [flag.reason for flag in find_attention(found).flags]
    assert [reason.split(" has been ")[1].split(" (")[0] for reason in reasons] == (
        [expected] if expected else []
    )


def test_hot_and_humid_at_one_place_is_one_flag() -> None:
    readings = tuple(air("shelf A", 7, temperature_c=28.0, humidity_percent=90.0))
    flag = only(room([healthy(1, 5.0)], 5.0, air=readings), FlagKind.HOT_OR_HUMID)
    assert "too hot (28 °C) and humid (90 %)" in flag.reason


def test_air_that_nobody_read_again_is_still_told() -> None:
    hot = AirReading(at(5.0), "shelf A", temperature_c=31.0)
    now = told(hot, day=5.2)
    assert now is not None
    assert now.reason == "shelf A has been too hot (31 °C) since Sat 7 Mar 08:00."
    for day in (5.3, 6.0, 7.0):
        later = told(hot, day=day)
        assert later is not None
        assert (later.key, later.level, later.since) == (now.key, Level.LOOK, at(5.0))
        assert later.reason == (
            "shelf A was too hot (31 °C) when it was read Sat 7 Mar 08:00, and not read since."
        )
        assert later.look_at == "Nobody has read it since: read it again now."
        assert later.air == ("too hot",)
    # Two days later it says nothing of the air any more.
    assert told(hot, day=7.05) is None


def test_a_newer_reading_ends_what_an_older_one_said() -> None:
    hot = AirReading(at(5.0), None, temperature_c=31.0)
    assert told(hot, AirReading(at(5.2), None, temperature_c=20.0), day=5.9) is None
    # Of another place or of humidity alone it says nothing of that.
    for other in ({"shelf": "shelf B", "temperature_c": 20.0}, {"humidity_percent": 60.0}):
        still = told(hot, AirReading(at(5.8), **other), day=5.9)
        assert still is not None
        assert still.reason.startswith("The room was too hot (31 °C) when")


def test_what_was_seen_to_stays_quiet_until_the_air_is_read_again() -> None:
    hot = AirReading(at(5.0), None, temperature_c=31.0)
    done = Answer("hot or humid/room", AnswerKind.DONE, at(5.1))
    found = room([healthy(1, 5.9)], 5.9, air=(hot,), answers=(done,))
    assert kinds(found) == []
    again = replace(found, air=(hot, AirReading(at(5.8), None, temperature_c=30.0)))
    assert kinds(again) == [FlagKind.HOT_OR_HUMID]


def test_air_that_does_no_harm_at_once_can_wait_once_it_is_old() -> None:
    warm = tuple(air(None, 3, temperature_c=25.5))
    assert only(room([healthy(1, 5.2)], 5.2, air=warm), FlagKind.HOT_OR_HUMID).level is Level.LOOK
    old = only(room([healthy(1, 5.3)], 5.3, air=warm), FlagKind.HOT_OR_HUMID)
    assert old.level is Level.NOTE
    assert old.reason.startswith("The room was hot (26 °C) when it was read Sat 7 Mar 08:00")


def test_a_room_that_is_hot_all_over_stays_one_flag_once_it_is_old() -> None:
    shelves = [f"shelf {number}" for number in range(4)]
    runs = [healthy(number, 5.4, shelf=shelf) for number, shelf in enumerate(shelves)]
    hot = tuple(AirReading(at(5.0), shelf, temperature_c=29.0) for shelf in shelves)
    flag = only(room(runs, 5.4, air=hot), FlagKind.HOT_OR_HUMID)
    assert flag.reason.startswith("The room was too hot (29 °C) when")
    # One shelf that was read again, as hot, tells how it is now.
    again = (*hot, AirReading(at(5.35), "shelf 2", temperature_c=28.0))
    flag = only(room(runs, 5.4, air=again), FlagKind.HOT_OR_HUMID)
    assert flag.reason.startswith("The room has been too hot (28 °C) since")
    # One that was fine in the same round keeps the others apart, then as later.
    cool = (*hot[:3], AirReading(at(5.0), "shelf 3", temperature_c=20.0))
    for day in (5.1, 5.4):
        assert kinds(room(runs, day, air=cool)) == [FlagKind.HOT_OR_HUMID] * 3


# Bands of the job: look below 13 or above 24 °C for 2 h, act above 27 °C; above 80 % for 6 h or
# below 45 %. How long it went beyond is not known of a lowest or highest.
@pytest.mark.parametrize(
    ("said", "level", "words"),
    [
        ({"temperature_high_c": 38.0}, Level.LOOK, "went up to 38 °C (too hot)"),
        ({"temperature_high_c": 26.0}, Level.NOTE, "went up to 26 °C (hot)"),
        ({"temperature_high_c": 24.0}, None, ""),
        ({"temperature_low_c": 12.0}, Level.NOTE, "went down to 12 °C (cold)"),
        ({"temperature_low_c": 8.0}, Level.LOOK, "went down to 8 °C (cold)"),
        ({"temperature_low_c": 9.0, "temperature_c": 11.0}, Level.LOOK, "down to 9 °C (cold)"),
        ({"temperature_low_c": -1.0}, Level.LOOK, "went down to -1 °C (freezing)"),
        ({"humidity_high_percent": 97.0}, Level.NOTE, "went up to 97 % (humid)"),
        ({"humidity_low_percent": 40.0}, Level.LOOK, "went down to 40 % (dry)"),
        (
            {"temperature_low_c": 2.0, "temperature_high_c": 38.0}, Level.LOOK,
            "went up to 38 °C (too hot) and down to 2 °C (cold)",
        ),
    ],
)  # fmt: skip
def test_the_lowest_and_highest_of_a_reading_count(
    said: dict[str, float], level: Level | None, words: str
) -> None:
    flag = told(AirReading(at(5.0), None, **{"temperature_c": 16.0, **said}), day=5.1)
    assert (None if flag is None else flag.level) == level
    if flag is not None:
        assert flag.reason.endswith(f"{words} before it was read Sat 7 Mar 08:00.")
        # It is over: nobody is woken for it.
        assert flag.air == ()


def test_how_far_it_went_stands_beside_how_it_is_only_where_it_was_worse() -> None:
    hot = AirReading(at(5.0), None, temperature_c=29.0, temperature_high_c=31.0)
    flag = told(hot, day=5.1)
    assert flag is not None
    assert flag.reason == "The room has been too hot (29 °C) since Sat 7 Mar 08:00."
    flag = told(replace(hot, temperature_low_c=3.0), day=5.1)
    assert flag is not None
    assert flag.reason == (
        "The room has been too hot (29 °C) since Sat 7 Mar 08:00; it went down to 3 °C (cold) "
        "before it was read Sat 7 Mar 08:00."
    )
    assert flag.look_at.startswith("Cool it now;")
    assert "Find out when and why" in flag.look_at


def test_a_highest_that_nobody_set_back_is_told_once() -> None:
    first = AirReading(at(5.0), None, temperature_c=20.0, temperature_high_c=38.0)
    again = replace(first, read_at=at(5.5))
    flag = told(first, again, day=5.6)
    assert flag is not None
    assert flag.latest_at == at(5.0)
    worse = told(first, replace(again, temperature_high_c=39.0), day=5.6)
    assert worse is not None
    assert worse.latest_at == at(5.5)
    assert told(first, AirReading(at(5.5), None, temperature_c=20.0), day=5.6) is None


def test_one_reading_says_what_is_beyond_a_limit_in_it() -> None:
    # The same bands, however short: for the list of what was read last.
    reading = AirReading(at(5.0), None, temperature_c=25.0, humidity_percent=60.0)
    assert words_beyond(reading) == ("hot",)
    assert words_beyond(replace(reading, temperature_c=20.0)) == ()
    assert words_beyond(
        replace(reading, temperature_c=20.0, temperature_high_c=28.0, humidity_low_percent=30.0)
    ) == ("highest too hot", "lowest dry")


def test_a_shelf_called_room_is_not_the_room() -> None:
    runs = [healthy(1, 5.0, shelf="room")]
    hot = AirReading(at(5.0), "room", temperature_c=29.0)
    cool = AirReading(at(5.0), None, temperature_c=20.0)
    shelf = only(room(runs, 5.1, air=(hot, cool)), FlagKind.HOT_OR_HUMID)
    flag = only(room(runs, 5.1, air=(replace(hot, shelf=None),)), FlagKind.HOT_OR_HUMID)
    assert (shelf.key, flag.key) == ("hot or humid/shelf/room", "hot or humid/room")
    # All other keys are as they were, so that what was answered to them holds.
    assert air_key("Top shelf") == "hot or humid/Top shelf"
    assert len({air_key(name) for name in ("room", "shelf/room", "shelf/shelf/room", None)}) == 4
