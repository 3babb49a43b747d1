"""Times in nights when the clocks change, and what a change of the zone does to times.

When they do: Directive 2000/84/EC, last Sundays of March and October at 1:00 UTC; in Vienna 2026 on
29 March from 02:00 to 03:00, on 25 October from 03:00 to 02:00.
"""

from datetime import UTC, datetime

import pytest

from tests.pages.house import House
from tests.pages.test_room_forms import said, words

SKIPPED = "must be a time that clocks in Europe/Vienna show, got 2026-03-29 02:30"


@pytest.fixture
def spring(empty_house: House) -> House:
    empty_house.watch.now = datetime(2026, 3, 29, 6, tzinfo=UTC)
    return empty_house


@pytest.fixture
def autumn(empty_house: House) -> House:
    empty_house.watch.now = datetime(2026, 10, 25, 6, tzinfo=UTC)
    return empty_house


def test_a_time_that_no_clock_showed_is_refused_and_kept(spring: House) -> None:
    form = {"trays": "1", "spread_at": "2026-03-29T02:30", "note": "in the night"}
    answer = spring.client.post("/room/start", data=form)
    assert answer.status_code == 422
    assert SKIPPED in words(answer)
    assert 'value="2026-03-29T02:30"' in answer.text
    assert "in the night" in answer.text
    assert spring.get("/api/trays") == {"trays": []}
    reading = {"temperature_c": 20.0, "read_at": "2026-03-29T02:30"}
    refused = spring.client.post("/api/readings", json=reading)
    assert refused.status_code == 422
    assert SKIPPED in refused.text


@pytest.mark.parametrize(
    ("typed", "moment"),
    [
        ("2026-03-29T01:59", "2026-03-29T00:59:00Z"),
        ("2026-03-29T03:00", "2026-03-29T01:00:00Z"),
        ("2026-03-29T02:30Z", "2026-03-29T02:30:00Z"),
        ("2026-03-29", "2026-03-28T23:00:00Z"),
    ],
)
def test_times_about_the_gap_are_taken(spring: House, typed: str, moment: str) -> None:
    run = spring.post("/api/runs", tray=1, spread_at=typed)
    assert run["spread_at"] == moment


def test_of_the_hour_that_comes_twice_it_is_said_which_is_meant(autumn: House) -> None:
    form = {"trays": "1", "spread_at": "2026-10-25T02:30"}
    done, _ = said(autumn.client.post("/room/start", data=form))
    assert done == (
        "Tray 1 started. 02:30 came twice on 25 October, when clocks went back: the first is meant."
    )
    assert autumn.get("/api/trays/1")["run"]["spread_at"] == "2026-10-25T00:30:00Z"
    form = {"trays": "2", "spread_at": "2026-10-25T03:30"}
    assert "twice" not in said(autumn.client.post("/room/start", data=form))[0]


def test_a_field_left_as_shown_means_now_in_the_second_hour(autumn: House) -> None:
    autumn.watch.now = datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
    shown = "2026-10-25T02:30"
    form = {"trays": "1", "spread_at": shown, "spread_at_shown": shown}
    assert said(autumn.client.post("/room/start", data=form))[0] == "Tray 1 started."
    assert autumn.get("/api/trays/1")["run"]["spread_at"] == "2026-10-25T01:30:00Z"


def test_another_zone_says_how_times_read_now(spring: House) -> None:
    form = {"name": "Lindenhof", "time_zone": "America/New_York", "day_zero": "spread"}
    form |= {"grain": "barley"}
    done, undo = said(spring.client.post("/set-up/room", data=form))
    assert "All times are shown by the clocks of America/New_York now" in done
    # 06:00 UTC is 08:00 in Vienna's summer and 02:00 in New York's.
    assert "what read 08:00 by Europe/Vienna reads 02:00." in done
    assert undo
    again, _ = said(spring.client.post("/set-up/room", data={**form, "name": "Ahornhof"}))
    assert "clocks" not in again
