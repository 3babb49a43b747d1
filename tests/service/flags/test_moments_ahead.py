"""What happened lies at most a day ahead of the service's clock; what is planned may lie later."""

from datetime import timedelta

import pytest

from service.flags.flag_log import Notice, notice
from tests.service.conftest import START, Room

NEXT_YEAR = "2027-03-02T08:00:00+00:00"
RULE = "must lie at most {} ahead, got 2027-03-02 08:00 UTC while the service's clock says \
2026-03-02 07:00 UTC"


def refused(room: Room, method: str, path: str, **body: object) -> tuple[int, str, str]:
    response = room.client.request(method, path, json=body)
    error = response.json()["errors"][0]
    return response.status_code, error["field"], error["rule"]


def furnished(room: Room) -> dict[str, str]:
    """One thing of each kind; returns their paths by the field that says when."""
    run = room.post("/api/runs", tray=1, spread_at=(START - timedelta(days=7)).isoformat())["id"]
    room.post("/api/trays", number=2)
    harvests = f"/api/runs/{run}/harvests"
    harvest = room.post(harvests, ends_run=False)["id"]
    reading = room.post("/api/readings", temperature_c=19)["id"]
    placement = room.post("/api/trays/1/placements")["id"]
    state = room.post("/api/trays/2/states", state="empty")["id"]
    chore = room.post("/api/chores", kind="wash", title="wash", planned_for=NEXT_YEAR)["id"]
    lot = room.post("/api/lots", name="B1")["id"]
    return {
        "spread_at": f"/api/runs/{run}",
        "harvested_at": f"/api/harvests/{harvest}",
        "read_at": f"/api/readings/{reading}",
        "placed_at": f"/api/placements/{placement}",
        "since_at": f"/api/tray-states/{state}",
        "done_at": f"/api/chores/{chore}",
        "received_at": f"/api/lots/{lot}",
    }


def test_what_happened_next_year_is_refused(room: Room) -> None:
    paths = furnished(room)
    run = paths["spread_at"]
    new: tuple[tuple[str, str, dict[str, object]], ...] = (
        ("harvested_at", f"{run}/harvests", {}),
        ("read_at", "/api/readings", {"temperature_c": 19.0}),
        ("placed_at", "/api/trays/1/placements", {}),
        ("since_at", "/api/trays/2/states", {"state": "resting"}),
        ("done_at", "/api/chores", {"kind": "wash", "title": "wash"}),
        ("received_at", "/api/lots", {"name": "B2"}),
        ("split_at", f"{run}/split", {"tray": 3}),
    )
    rule = RULE.format("a day")
    for field, path, body in new:
        said = refused(room, "POST", path, **body, **{field: NEXT_YEAR})
        assert said == (422, field, rule)
    for field, path in paths.items():
        if field != "spread_at":
            assert refused(room, "PATCH", path, **{field: NEXT_YEAR}) == (422, field, rule)
    tomorrow = (START + timedelta(hours=23)).isoformat()
    room.patch(paths["read_at"], read_at=tomorrow)
    assert room.get("/api/trays/1")["state"] == "growing"


def test_a_run_may_be_spread_from_a_date_to_come_within_two_weeks(room: Room) -> None:
    path = furnished(room)["spread_at"]
    rule = RULE.format("14 days")
    new = refused(room, "POST", "/api/runs", tray=5, spread_at=NEXT_YEAR)
    assert new == (422, "spread_at", rule)
    soon = (START + timedelta(days=13)).isoformat()
    planned = room.post("/api/runs", tray=5, spread_at=soon)["id"]
    moved = refused(room, "PATCH", f"/api/runs/{planned}", spread_at=NEXT_YEAR)
    assert moved == (422, "spread_at", rule)
    assert room.patch(path, note="nothing said of when")["note"]


def test_seed_soaks_for_two_weeks_at_most(room: Room) -> None:
    spread = "2026-02-15 07:00 UTC and 2026-03-02 07:00 UTC"
    soaked = (START - timedelta(days=15)).isoformat()
    assert refused(room, "POST", "/api/runs", tray=1, soaked_at=soaked) == (
        422,
        "soaked_at",
        f"must be at most 14 days before spread_at, got {spread}",
    )
    room.post("/api/runs", tray=1, soaked_at=(START - timedelta(days=13)).isoformat())


@pytest.mark.parametrize("days", [-1.0, 0.0, 61.0])
def test_a_look_is_put_off_until_later_and_for_two_months_at_most(room: Room, days: float) -> None:
    seen = Notice("mould:17", "mould", "look", 5.0, START, START, "A white patch.", "Wet it.")
    with room.service.database.write() as connection:
        flag = notice(connection, seen, room.service.entrant())
    until = room.watch.now + timedelta(days=days)
    status, field, rule = refused(
        room, "POST", f"/api/flags/{flag}/snooze", until=until.isoformat()
    )
    assert (status, field) == (422, "until")
    assert rule == (
        f"must be later than now and at most 60 days ahead, got {until:%Y-%m-%d %H:%M} UTC "
        "while the service's clock says 2026-03-02 07:00 UTC"
    )
    later = (room.watch.now + timedelta(days=60)).isoformat()
    assert room.post(f"/api/flags/{flag}/snooze", until=later)["state"] == "snoozed"
