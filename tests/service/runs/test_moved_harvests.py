"""A harvest that was written for the wrong tray is moved to the right one, with its history."""

import re
from datetime import timedelta
from typing import Any

import pytest

from tests.service.conftest import START, Room
from tests.service.runs.test_undoing import refused, undo


@pytest.fixture
def taken(room: Room) -> tuple[Room, Any]:
    """Trays 2 and 5 grow; what was taken of 2 was written for 5, and everything was looked up."""
    for tray, days in ((2, 7), (5, 6)):
        spread_at = (START - timedelta(days=days)).isoformat()
        room.post("/api/runs", tray=tray, spread_at=spread_at)
    run = room.get("/api/trays/5")["run"]["id"]
    harvest = room.post(f"/api/runs/{run}/harvests", weight_g=2980.0)
    assert growing(room) == [2]
    return room, harvest


def growing(room: Room) -> list[int]:
    """As the round, the trays and the runs agree on it."""
    due = sorted(one["tray"] for one in room.get("/api/today")["harvests"])
    trays = room.get("/api/trays")["trays"]
    assert sorted(one["tray"] for one in trays if one["state"] == "growing") == due
    assert sorted(one["tray"] for one in room.get("/api/runs", growing="true")) == due
    return due


def runs(room: Room, tray: int) -> list[tuple[str | None, float | None]]:
    found = room.get(f"/api/trays/{tray}/runs")
    return [(one["ended_reason"], one["harvest_weight_g"]) for one in found]


def test_harvest_ends_the_tray_that_it_is_said_to_be_of(taken: tuple[Room, Any]) -> None:
    room, harvest = taken
    path = f"/api/harvests/{harvest['id']}"
    moved = room.patch(path, tray=2, why="read the label wrong")
    run = room.get("/api/trays/2/runs")[0]["id"]
    assert (moved["run_id"], moved["harvested_at"]) == (run, harvest["harvested_at"])
    assert growing(room) == [5]
    assert (runs(room, 2), runs(room, 5)) == ([("harvested", 2980.0)], [(None, None)])
    assert [one["tray"] for one in room.get("/api/today")["to_wash"]] == [2]
    said = room.get(f"{path}/history")["entries"]
    assert [one["values"]["run_id"] for one in said] == [harvest["run_id"], run]
    # To the tray where it is already nothing changes but what else is said.
    assert room.patch(path, tray=2, weight_g=3000.0)["run_id"] == run
    assert runs(room, 2) == [("harvested", 3000.0)]


def test_undo_brings_it_back_to_the_tray_of_before(taken: tuple[Room, Any]) -> None:
    room, harvest = taken
    moved = room.patch(f"/api/harvests/{harvest['id']}", tray=2)
    assert undo(room, f"harvest:{moved['entry_id']}").status_code == 303
    assert growing(room) == [2]
    assert (runs(room, 2), runs(room, 5)) == ([(None, None)], [("harvested", 2980.0)])


def test_it_goes_only_where_it_can_have_been_taken(taken: tuple[Room, Any]) -> None:
    room, harvest = taken
    path = f"/api/harvests/{harvest['id']}"
    room.post("/api/trays", number=9)
    for tray, field, rule in (
        (9, "tray", "must have had a run by 2026-03-02 07:00 UTC, but nothing was spread in tray"),
        (None, "tray", "must have a value, got null"),
    ):
        status, said = refused(room.client.patch(path, json={"tray": tray}))
        assert (status, said.startswith(f"{field} {rule}")) == (422, True)
    assert room.client.patch(path, json={"tray": 77}).status_code == 404
    run = room.get("/api/trays/2")["run"]["id"]
    room.post(f"/api/runs/{run}/harvests", weight_g=3100.0)
    status, said = refused(room.client.patch(path, json={"tray": 2}))
    assert (status, "must be of a run that has not ended" in said) == (422, True)
    assert runs(room, 5) == [("harvested", 2980.0)]


def test_page_moves_it_and_both_runs_say_so(taken: tuple[Room, Any]) -> None:
    room, harvest = taken
    address = f"/entries/harvests/{harvest['id']}"
    (field,) = re.findall(r"<input[^>]*name=.tray.[^>]*>", room.client.get(address).text)
    assert 'value="5"' in field
    answer = room.client.post(address, data={"tray": "2", "why": "wrong tray"})
    assert answer.status_code == 200
    assert "Corrected." in answer.text
    assert growing(room) == [5]
    for run in (harvest["run_id"], room.get(f"/api/harvests/{harvest['id']}")["run_id"]):
        page = room.client.get(f"/runs/{run}").text
        assert "<s>Tray 5: Harvested today 08:00, the whole tray, 2.98 kg.</s>" in page
        assert "Tray 2: Harvested today 08:00, the whole tray, 2.98 kg." in page
    report = room.client.get("/print/report").text
    assert "of which: tray 5" in report
    assert "of which: tray 2" in report
