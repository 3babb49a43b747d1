"""Nothing is overwritten: corrections stand beside the original, and say who and when."""

from collections.abc import Callable
from datetime import timedelta

import pytest
import sqlalchemy as sa

from service.log.entries import Entrant, correct, current, enter, history, withdraw
from service.log.refusals import NotFound
from service.log.schema import CORRECTABLE, PERSON, RACK
from tests.service.conftest import START, Room


def test_correction_stands_beside_the_original(room: Room) -> None:
    rack = room.post("/api/racks", name="left", note="by the door")
    room.watch.forward(hours=3)
    corrected = room.patch(f"/api/racks/{rack['id']}", name="right", why="wrong wall")
    assert (corrected["id"], corrected["name"]) == (rack["id"], "right")
    assert corrected["note"] == "by the door"
    assert corrected["first_entered_at"] == rack["entered_at"]
    entries = room.get(f"/api/racks/{rack['id']}/history")["entries"]
    assert [entry["values"]["name"] for entry in entries] == ["left", "right"]
    assert [entry["why"] for entry in entries] == [None, "wrong wall"]
    assert entries[1]["replaces_entry_id"] == entries[0]["entry_id"]
    assert entries[1]["entered_at"] == (START + timedelta(hours=3)).isoformat().replace(
        "+00:00", "Z"
    )


def test_withdrawn_thing_is_gone_from_lists_and_kept_in_its_history(room: Room) -> None:
    rack = room.post("/api/racks", name="left")
    answer = room.client.delete(f"/api/racks/{rack['id']}", params={"why": "typed twice"})
    assert answer.status_code == 204
    assert room.get("/api/racks") == []
    assert room.client.get(f"/api/racks/{rack['id']}").status_code == 404
    entries = room.get(f"/api/racks/{rack['id']}/history")["entries"]
    assert [entry["withdrawn"] for entry in entries] == [False, True]
    assert entries[1]["why"] == "typed twice"


def test_thing_that_others_refer_to_cannot_be_withdrawn(room: Room) -> None:
    rack = room.post("/api/racks", name="left")
    room.post("/api/shelves", rack_id=rack["id"], name="top", level=1)
    answer = room.client.delete(f"/api/racks/{rack['id']}")
    assert answer.status_code == 409
    assert answer.json()["errors"] == [
        {"field": "rack", "rule": f"{rack['id']} is still referred to by shelf"}
    ]


def test_two_corrections_of_one_row_cannot_both_hold(room: Room) -> None:
    by = room.service.entrant()
    with room.service.database.write() as connection:
        rack = enter(connection, RACK, {"name": "left"}, by)
        correct(connection, RACK, rack, {"name": "right"}, by=by)
    row = {"name": "x", "original_id": rack, "replaces_id": rack, "entered_at": START}
    with (
        pytest.raises(sa.exc.IntegrityError, match="replaces_id"),
        room.service.database.write() as connection,
    ):
        connection.execute(sa.insert(RACK).values(row))


def test_correction_names_the_person(room: Room) -> None:
    by = room.service.entrant()
    with room.service.database.write() as connection:
        person = enter(connection, PERSON, {"name": "Ana", "role": "worker", "active": True}, by)
        ana = Entrant(START, person)
        rack = enter(connection, RACK, {"name": "left"}, by)
        correct(connection, RACK, rack, {"name": "right"}, by=ana, why="asked")
        withdraw(connection, RACK, rack, by=ana)
        rows = history(connection, RACK, rack)
    assert [row["entered_by"] for row in rows] == [None, person, person]


def test_withdrawing_can_be_taken_back(room: Room) -> None:
    by = room.service.entrant()
    with room.service.database.write() as connection:
        rack = enter(connection, RACK, {"name": "left"}, by)
        withdraw(connection, RACK, rack, by=by)
        correct(connection, RACK, rack, {}, by=by, why="it does exist")
        names = connection.execute(sa.select(current(RACK).c.name)).scalars().all()
    assert names == ["left"]


def test_only_originals_can_be_corrected(room: Room) -> None:
    by = room.service.entrant()
    with room.service.database.write() as connection:
        rack = enter(connection, RACK, {"name": "left"}, by)
        row = correct(connection, RACK, rack, {"name": "right"}, by=by)
        with pytest.raises(NotFound, match=f"rack {row} is not in the log"):
            correct(connection, RACK, row, {"name": "middle"}, by=by)


def test_name_taken_is_a_conflict_that_names_the_field(room: Room) -> None:
    room.post("/api/racks", name="left")
    answer = room.client.post("/api/racks", json={"name": "left"})
    assert answer.status_code == 409
    assert answer.json()["errors"][0]["field"] == "name"


@pytest.mark.parametrize("lot", [7, 0, -1])
def test_what_was_soaked_names_a_bag_of_the_log(room: Room, lot: int) -> None:
    body = {"kind": "soak", "title": "Soaked", "details": {"lot_id": lot, "weight_g": 900.0}}
    answer = room.client.post("/api/chores", json=body)
    assert answer.status_code == 404
    assert answer.json()["errors"] == [{"field": "seed_lot", "rule": f"{lot} is not in the log"}]
    assert room.get("/api/chores") == []


def test_what_was_soaked_names_no_bag_by_a_number_that_no_log_could_keep(room: Room) -> None:
    body = {"kind": "soak", "title": "Soaked", "details": {"lot_id": 10**30}}
    answer = room.client.post("/api/chores", json=body)
    assert answer.status_code == 422
    assert [one["field"] for one in answer.json()["errors"]] == ["body.details"]
    assert room.get("/api/chores") == []


def test_chore_is_put_right_though_its_bag_was_withdrawn(room: Room) -> None:
    lot = room.post("/api/lots", name="B1")["id"]
    details = {"lot_id": lot, "weight_g": 900.0}
    chore = room.post("/api/chores", kind="soak", title="Soaked", details=details)
    assert room.client.delete(f"/api/lots/{lot}").status_code == 204
    path = f"/api/chores/{chore['id']}"
    changed = room.patch(path, details={**details, "weight_g": 950.0})
    assert changed["details"]["weight_g"] == 950.0
    other = room.client.patch(path, json={"details": {"lot_id": lot + 1}})
    assert other.status_code == 404


@pytest.mark.parametrize("name", sorted(CORRECTABLE))
def test_every_correctable_table_says_who_when_and_why(name: str) -> None:
    columns = set(CORRECTABLE[name].c.keys())
    assert columns >= {"original_id", "replaces_id", "entered_at", "entered_by", "why"}


def test_log_outlives_a_restart(open_room: Callable[[], Room]) -> None:
    rack = open_room().post("/api/racks", name="left")
    assert open_room().get(f"/api/racks/{rack['id']}") == rack


def test_no_more_is_left_over_than_was_fed(room: Room) -> None:
    body = {"kind": "feed", "title": "Fed", "details": {"weight_g": 30_000, "refusals_g": 45_000}}
    answer = room.client.post("/api/chores", json=body)
    assert answer.status_code == 422
    assert answer.json()["errors"] == [
        {
            "field": "details.refusals_g",
            "rule": "must not exceed weight_g, 30000 g fed, got 45000",
        }
    ]
    assert room.get("/api/chores") == []
    details = {"weight_g": 30_000.0, "refusals_g": 30_000.0}
    chore = room.post("/api/chores", **{**body, "details": details})
    path = f"/api/chores/{chore['id']}"
    more = room.client.patch(path, json={"details": {**details, "refusals_g": 30_001}})
    assert more.status_code == 422
    assert room.get(path)["details"] == details
