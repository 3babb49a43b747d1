"""Runs of one tray follow each other, and each is harvested once: entered, corrected, counted."""

from concurrent.futures import ThreadPoolExecutor
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from service.log.entries import correct
from service.log.schema import RUN
from service.period_report.period import Period
from service.period_report.runs import PeriodRuns
from service.room.room_log import the_room
from tests.service.conftest import START, Room

FIRST = START - timedelta(days=20)


def on(day: float) -> str:
    """A moment so many days after the first spreading, 10 February 07:00 UTC."""
    return (FIRST + timedelta(days=day)).isoformat()


def run(room: Room, tray: int, day: float, harvested: float | None = None) -> tuple[int, int]:
    """A run and its harvest, 0 without one."""
    run_id = room.post("/api/runs", tray=tray, spread_at=on(day))["id"]
    if harvested is None:
        return run_id, 0
    path = f"/api/runs/{run_id}/harvests"
    return run_id, room.post(path, harvested_at=on(harvested), weight_g=2000)["id"]


def refused(room: Room, method: str, path: str, **body: object) -> tuple[int, str, str]:
    response = room.client.request(method, path, json=body)
    error = response.json()["errors"][0]
    return response.status_code, error["field"], error["rule"]


def test_a_run_is_harvested_whole_once(room: Room) -> None:
    run_id, harvest_id = run(room, 1, 0, harvested=7)
    again = refused(room, "POST", f"/api/runs/{run_id}/harvests", harvested_at=on(7), weight_g=9)
    ended = f"must be of a run that has not ended, but this one ended at 2026-02-17 07:00 UTC \
(harvest {harvest_id}); correct that harvest instead"
    assert again == (422, "harvest", ended)
    path = f"/api/runs/{run_id}/harvests"
    part = room.post(path, harvested_at=on(6), weight_g=500, ends_run=False)["id"]
    assert refused(room, "PATCH", f"/api/harvests/{part}", ends_run=True)[1:] == ("harvest", ended)
    assert room.patch(f"/api/harvests/{harvest_id}", weight_g=2100)["weight_g"] == 2100
    assert room.get(f"/api/runs/{run_id}")["harvest_weight_g"] == 2600


def test_of_eight_whole_harvests_at_once_one_is_taken(room: Room) -> None:
    run_id, _ = run(room, 1, 0)

    def harvested(_: int) -> int:
        body = {"weight_g": 1000, "harvested_at": on(7)}
        return room.client.post(f"/api/runs/{run_id}/harvests", json=body).status_code

    with ThreadPoolExecutor(8) as pool:
        assert sorted(pool.map(harvested, range(8))) == [201] + [422] * 7
    assert room.get(f"/api/runs/{run_id}")["harvest_weight_g"] == 1000


def test_a_run_cannot_begin_before_the_last_one_was_taken(room: Room) -> None:
    before, _ = run(room, 1, 0, harvested=7)
    run_id, _ = run(room, 1, 8)
    rule = (
        f"must not be earlier than the harvest of tray 1 at 2026-02-17 07:00 UTC (run {before}); \
if that is wrong, correct it first"
    )
    assert refused(room, "PATCH", f"/api/runs/{run_id}", spread_at=on(5)) == (
        *(422, "spread_at", rule),
    )
    new = refused(room, "POST", "/api/runs", tray=1, spread_at=on(3))
    assert new == (422, "spread_at", rule)
    assert room.patch(f"/api/runs/{run_id}", spread_at=on(7))["ended_at"] is None
    assert room.get(f"/api/runs/{before}")["ended_reason"] == "harvested"


def test_a_run_cannot_begin_after_a_part_of_it_was_taken(room: Room) -> None:
    run_id, _ = run(room, 1, 0)
    path = f"/api/runs/{run_id}/harvests"
    room.post(path, harvested_at=on(5), weight_g=500, ends_run=False)
    room.post(path, harvested_at=on(7), weight_g=500)
    assert refused(room, "PATCH", f"/api/runs/{run_id}", spread_at=on(6)) == (
        *(422, "spread_at"),
        "must not be later than the harvest at 2026-02-15 07:00 UTC, got 2026-02-16 07:00 UTC",
    )
    room.patch(f"/api/runs/{run_id}", spread_at=on(5))


def test_a_run_moves_to_a_tray_only_where_that_was_free(room: Room) -> None:
    run_id, _ = run(room, 3, 4, harvested=11)
    later, _ = run(room, 4, 5, harvested=12)
    earlier, _ = run(room, 5, 3, harvested=10)
    free, _ = run(room, 6, 0, harvested=4)
    rule = f"must not let this run, harvested at 2026-02-21 07:00 UTC, lie in tray 4 when run \
{later} began there at 2026-02-15 07:00 UTC; if that is wrong, correct it first"
    assert refused(room, "PATCH", f"/api/runs/{run_id}", tray=4) == (422, "tray", rule)
    rule = f"must be free at 2026-02-14 07:00 UTC, but tray 5 was harvested at 2026-02-20 07:00 \
UTC (run {earlier}); if that is wrong, correct it first"
    assert refused(room, "PATCH", f"/api/runs/{run_id}", tray=5) == (422, "tray", rule)
    assert room.patch(f"/api/runs/{run_id}", tray=6)["tray"] == 6
    assert room.get(f"/api/runs/{free}")["ended_reason"] == "harvested"


def test_a_harvest_lies_between_its_run_and_the_next(room: Room) -> None:
    run_id, harvest_id = run(room, 1, 0, harvested=7)
    following, _ = run(room, 1, 8)
    rule = f"must not be later than 2026-02-18 07:00 UTC, when the tray was spread again \
(run {following}), got 2026-02-19 07:00 UTC"
    moved = refused(room, "PATCH", f"/api/harvests/{harvest_id}", harvested_at=on(9))
    assert moved == (422, "harvested_at", rule)
    part = {"harvested_at": on(9), "ends_run": False}
    taken = refused(room, "POST", f"/api/runs/{run_id}/harvests", **part)
    assert taken == (422, "harvested_at", rule)
    early = refused(room, "PATCH", f"/api/harvests/{harvest_id}", harvested_at=on(-1))
    assert early[2].startswith("must not be earlier than spread_at 2026-02-10 07:00 UTC")
    room.patch(f"/api/harvests/{harvest_id}", harvested_at=on(8))


def test_a_run_that_nobody_harvested_ends_where_the_next_begins(room: Room) -> None:
    first, _ = run(room, 1, 0)
    second, _ = run(room, 1, 8)
    room.patch(f"/api/runs/{second}", spread_at=on(6), note="a day off")
    ended = room.get(f"/api/runs/{first}")
    assert (ended["ended_reason"], datetime.fromisoformat(ended["ended_at"])) == (
        *("next run started", FIRST + timedelta(days=6)),
    )


@pytest.mark.parametrize("spread_day", [5.0, -9.0])
def test_weeks_add_up_where_an_older_log_has_an_overlap(room: Room, spread_day: float) -> None:
    """The run before was harvested a week after the next one begins, as old logs may say."""
    old, _ = run(room, 1, 0, harvested=12)
    following, _ = run(room, 1, 13, harvested=19)
    with room.service.database.write() as connection:
        moment = {"spread_at": FIRST + timedelta(days=spread_day)}
        correct(connection, RUN, following, moment, by=room.service.entrant())
    assert room.patch(f"/api/runs/{old}", note="still to be corrected")["note"]
    zone, first = ZoneInfo("Europe/Vienna"), date(2026, 1, 26)
    weeks = [first + timedelta(days=7 * week) for week in range(5)]
    with room.service.database.read() as connection:
        log, now = the_room(connection), room.watch.now
        whole, *parts = (
            PeriodRuns(connection, log, Period(monday, sunday, zone), now)
            for monday, sunday in [
                (first, weeks[-1] + timedelta(days=6)),
                *((monday, monday + timedelta(days=6)) for monday in weeks),
            ]
        )
        for period in (whole, *parts):
            rows = [one.harvested_g or 0.0 for one in period.reported()]
            assert sum(rows) == period.totals().harvested_g
        assert whole.totals().harvested_g == 4000.0
        assert sum(part.totals().harvested_g for part in parts) == 4000.0
        assert sum(part.totals().harvests for part in parts) == 2


@pytest.mark.parametrize("spread_day", [5.0, 12.0])
def test_a_photo_belongs_to_the_run_that_begins_with_it(room: Room, spread_day: float) -> None:
    """Also where the run before was harvested later, as old logs may say: there it ends as well."""
    old, _ = run(room, 1, 0, harvested=12)
    following, _ = run(room, 1, 13, harvested=19)
    with room.service.database.write() as connection:
        moment = {"spread_at": FIRST + timedelta(days=spread_day)}
        correct(connection, RUN, following, moment, by=room.service.entrant())
    ended_at = room.get(f"/api/runs/{old}")["ended_at"]
    assert datetime.fromisoformat(ended_at) == FIRST + timedelta(days=spread_day)
    with room.looked_at_last():
        for hours in (-1, 0, 1):
            at = FIRST + timedelta(days=spread_day, hours=hours)
            room.photograph(1, at, height_mm=20.0 + hours)
    points = {
        run_id: [
            point["value"] for point in room.get(f"/api/runs/{run_id}/curve")["height"]["points"]
        ]
        for run_id in (old, following)
    }
    assert points == {old: [19.0], following: [20.0, 21.0]}


def test_a_tray_is_spread_once_a_day_unless_its_run_was_ended(room: Room) -> None:
    first, _ = run(room, 1, 1.0)
    other = f"must be a day or more from run {first} of tray 1, spread 2026-02-11 07:00 UTC, \
while the first of the two is not ended; correct that run, or write down its end first"
    for day in (1.1, 1.9, 0.1):
        again = refused(room, "POST", "/api/runs", tray=1, spread_at=on(day))
        assert again == (409, "spread_at", other)
    assert len(room.get("/api/trays/1/runs")) == 1
    # Thrown, or a day later, it is spread again.
    thrown = {"harvested_at": on(1.1), "reason": "thrown"}
    harvest = room.post(f"/api/runs/{first}/harvests", **thrown)["id"]
    second, _ = run(room, 1, 1.1)
    third, _ = run(room, 1, 2.1)
    assert room.get(f"/api/runs/{second}")["ended_reason"] == "next run started"
    assert refused(room, "PATCH", f"/api/runs/{third}", spread_at=on(1.9))[0] == 409
    assert room.get(f"/api/harvests/{harvest}")["ends_run"]
