"""A tray is a day older from midnight on, as on a wall calendar, also where the clocks changed.

When they do: Directive 2000/84/EC, last Sundays of March and October at 1:00 UTC.
"""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from tests.service.conftest import Room
from trayvision.attention.state import RunState

DUBLIN = ZoneInfo("Europe/Dublin")


@pytest.mark.parametrize(
    ("spread", "looked", "day"),
    [
        # Clocks went forward on 29 March 2026.
        ("2026-03-25 08:00", "2026-04-01 00:00", 7),
        ("2026-03-25 08:00", "2026-03-31 23:59", 6),
        ("2026-03-25 23:30", "2026-03-26 00:10", 1),
        ("2026-03-28 20:00", "2026-03-29 23:59", 1),
        # And back on 25 October 2026.
        ("2026-10-20 08:00", "2026-10-27 00:00", 7),
        ("2026-10-20 08:00", "2026-10-26 23:59", 6),
    ],
)
def test_a_tray_is_a_day_older_at_midnight(room: Room, spread: str, looked: str, day: int) -> None:
    room.patch("/api/room", time_zone="Europe/Dublin")
    spread_at = datetime.fromisoformat(spread).replace(tzinfo=DUBLIN)
    room.watch.now = datetime.fromisoformat(looked).replace(tzinfo=DUBLIN)
    run = room.post("/api/runs", tray=17, spread_at=spread_at.isoformat())
    assert f"Tray 17 grows: day {day}<" in room.client.get(f"/runs/{run['id']}").text
    assert f"Tray 17, day {day}:" in room.client.get("/trays/17").text
    state = RunState("1", 17, spread_at=spread_at.astimezone(ZoneInfo("UTC")))
    assert state.said_day(room.watch.now) == day
