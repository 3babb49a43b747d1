"""A room seven hours behind UTC: its nights and its days are those of its own clock.

Denver keeps UTC-7 until 8 March 2026 (15 U.S.C. 260a: from the second Sunday of March on UTC-6).
"""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from service.flags.attention_watch import AttentionWatch
from service.flags.flag_log import notice
from service.messages.notifications import Notifier
from service.room.room_log import tray_or_new
from tests.service.conftest import Room
from tests.service.messages.test_notifications import HOLD

DENVER = ZoneInfo("America/Denver")


@pytest.fixture(autouse=True)
def _no_watch_by_the_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    # It would close flags that are entered by hand, since nothing in the log bears them out.
    monkeypatch.setattr(AttentionWatch, "start", lambda _watch: None)


@pytest.fixture
def far(room: Room) -> Room:
    room.patch("/api/room", time_zone="America/Denver")
    return room


def _hold(room: Room, tray: int, at: datetime) -> None:
    told = replace(HOLD, cause=f"possible mould/{tray}", since=at, at=at)
    with room.service.database.write() as connection:
        by = room.service.entrant()
        notice(connection, replace(told, tray_id=tray_or_new(connection, tray, by)), by)


def test_quiet_hours_are_those_of_the_rooms_clock(far: Room) -> None:
    sent: list[tuple[datetime, str]] = []

    def take(_address: str, title: str, _text: str) -> str | None:
        sent.append((far.watch.now, title))
        return None

    evening, before_six, six = (
        datetime(2026, 3, 3, hour, minute, tzinfo=UTC)
        for hour, minute in ((3, 30), (12, 30), (13, 0))
    )
    # By hand: 20:30, 5:30 and 6:00 in Denver; quiet lasts from 21:00 to 6:00.
    far.watch.now = evening - timedelta(hours=2)
    far.post(
        "/api/notifications/targets",
        name="Grower",
        address="json://127.0.0.1:9/token-1",
        digest_at=None,
        quiet_from="21:00",
        quiet_until="06:00",
        in_quiet_hours=[],
    )
    notifier = Notifier(far.service, take)
    for tray, moment in ((17, evening), (18, before_six)):
        far.watch.now = moment
        _hold(far, tray, moment)
        notifier.look()
    assert sent == [(evening, "Hold: tray 17")]
    far.watch.now = six
    notifier.look()
    assert sent[1:] == [(six, "Hold: tray 18")]


def test_what_is_due_today_is_due_by_midnight_in_the_room(far: Room) -> None:
    # Five in the afternoon of 2 March, which in UTC is the next day's midnight.
    far.watch.now = datetime(2026, 3, 2, 17, 0, tzinfo=DENVER).astimezone(UTC)
    midnight = datetime(2026, 3, 3, 0, 0, tzinfo=DENVER)
    for title, planned in (("late today", -1), ("early tomorrow", 1)):
        planned_for = (midnight + timedelta(hours=planned)).isoformat()
        far.post("/api/chores", kind="clean", title=title, planned_for=planned_for)
    with far.looked_at_last():
        for tray, hours in enumerate(range(160, 220, 6), start=1):
            spread_at = (far.watch.now - timedelta(hours=hours)).isoformat()
            far.post("/api/runs", tray=tray, spread_at=spread_at)
    today = far.get("/api/today")
    assert today["date"] == "2026-03-02"
    assert [one["title"] for one in today["chores"]] == ["late today"]
    due = {
        datetime.fromisoformat(one["forecast"]["harvest_at"]): one["due"]
        for one in today["harvests"]
    }
    assert due == {moment: moment < midnight for moment in due}
    # The day's last hours and the next day's first are among them.
    assert any(midnight - timedelta(hours=7) < moment < midnight for moment in due)
    assert any(midnight <= moment < midnight + timedelta(hours=12) for moment in due)
