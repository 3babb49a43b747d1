"""Undo holds the rules of entering and withdrawing; where it breaks one, nothing is done.

All that is entered here is invented.
"""

from typing import Any

from service.log.entries import withdraw
from service.log.schema import RUN, SEED_LOT
from tests.service.conftest import Room
from tests.service.flags.test_attention import at, flags, kinds, look, spread
from tests.service.runs.test_split_trays import iso, lot, split


def undo(room: Room, *entries: str) -> Any:
    """Sends the form that stands beside what was done; returns the answer."""
    return room.client.post("/undo", data={"entry": list(entries)}, follow_redirects=False)


def refused(answer: Any) -> tuple[int, str]:
    """Status and rule of an answer that refuses."""
    (error,) = answer.json()["errors"]
    return answer.status_code, f"{error['field']} {error['rule']}"


def last_entry(room: Room, path: str) -> int:
    return int(room.get(f"{path}/history")["entries"][-1]["entry_id"])


def test_bag_that_is_spread_stays_until_its_run_is_gone(room: Room) -> None:
    bag = room.post("/api/lots", name="B-7", grain="barley")
    (run,) = spread(room, 17, seed=[{"lot_id": bag["id"], "weight_g": 500.0}])
    entry = f"seed_lot:{bag['entry_id']}"
    assert refused(undo(room, entry)) == (
        409,
        f"seed_lot {bag['id']} is still referred to by run",
    )
    assert room.get(f"/api/lots/{bag['id']}")["name"] == "B-7"
    # Both in one action: the run goes first.
    assert undo(room, entry, f"run:{run['entry_id']}").status_code == 303
    assert room.get("/api/lots") == [] == room.get("/api/runs")


def test_shelf_with_a_tray_on_it_stays(room: Room) -> None:
    rack = room.post("/api/racks", name="R")
    shelf = room.post("/api/shelves", rack_id=rack["id"], name="S", level=1)
    room.post("/api/trays", number=1)
    room.post("/api/trays/1/placements", shelf_id=shelf["id"])
    assert refused(undo(room, f"shelf:{shelf['entry_id']}")) == (
        409,
        f"shelf {shelf['id']} is still referred to by placement",
    )
    assert room.get("/api/trays")["trays"][0]["shelf"] == "S"


def test_name_that_was_given_to_another_lot_does_not_come_back(room: Room) -> None:
    first = room.post("/api/lots", name="A", grain="barley")
    renamed = room.patch(f"/api/lots/{first['id']}", name="B")
    room.post("/api/lots", name="A", grain="barley")
    assert refused(undo(room, f"seed_lot:{renamed['entry_id']}")) == (
        409,
        "name must be new, but another seed lot has it",
    )
    assert [one["name"] for one in room.get("/api/lots")] == ["B", "A"]


def test_spreading_does_not_come_back_later_than_the_harvest(room: Room) -> None:
    run = room.post("/api/runs", tray=17, spread_at=iso(4.0))
    earlier = room.patch(f"/api/runs/{run['id']}", spread_at=iso(0.0))
    room.watch.now = at(5.0)
    room.post(f"/api/runs/{run['id']}/harvests", harvested_at=iso(3.0))
    status, rule = refused(undo(room, f"run:{earlier['entry_id']}"))
    assert status == 422
    assert rule.startswith("spread_at must not be later than the harvest at 2026-03-04 07:00 UTC")
    assert room.get(f"/api/runs/{run['id']}")["spread_at"] == iso(0.0)


def test_two_runs_of_a_tray_do_not_come_to_start_together(room: Room) -> None:
    (run,) = spread(room, 17)
    moved = room.patch(f"/api/runs/{run['id']}", spread_at=iso(-2.0))
    other = room.post("/api/runs", tray=17, spread_at=iso(0.007))
    status, rule = refused(undo(room, f"run:{moved['entry_id']}"))
    assert status == 409
    assert rule.startswith(f"spread_at must be an hour or more from run {other['id']}")
    assert room.get(f"/api/runs/{run['id']}")["spread_at"] == iso(-2.0)


def test_run_entered_again_keeps_the_withdrawn_one_from_coming_back(room: Room) -> None:
    (run,) = spread(room, 17)
    assert room.client.delete(f"/api/runs/{run['id']}").status_code == 204
    withdrawn = last_entry(room, f"/api/runs/{run['id']}")
    spread(room, 17)
    assert refused(undo(room, f"run:{withdrawn}"))[0] == 409


def test_harvest_that_was_put_right_does_not_come_back_before_the_spreading(room: Room) -> None:
    (run,) = spread(room, 17)
    room.watch.now = at(7.0)
    harvest = room.post(f"/api/runs/{run['id']}/harvests", harvested_at=iso(1.0))
    right = room.patch(f"/api/harvests/{harvest['id']}", harvested_at=iso(6.0))
    room.patch(f"/api/runs/{run['id']}", spread_at=iso(2.0))
    status, rule = refused(undo(room, f"harvest:{right['entry_id']}"))
    assert (status, rule.partition(",")[0]) == (
        422,
        "harvested_at must not be earlier than spread_at 2026-03-03 07:00 UTC",
    )


def test_run_of_which_more_was_written_cannot_be_withdrawn(room: Room) -> None:
    (run,) = spread(room, 17)
    room.watch.now = at(5.0)
    harvest = room.post(f"/api/runs/{run['id']}/harvests", harvested_at=iso(4.0), ends_run=False)
    chore = room.post("/api/chores", kind="other", title="Turn it", run_id=run["id"])
    rule = f"run {run['id']} still has a chore and a harvest: withdraw that first"
    assert refused(room.client.delete(f"/api/runs/{run['id']}")) == (409, rule)
    assert refused(undo(room, f"run:{run['entry_id']}")) == (409, rule)
    page = room.client.post(f"/entries/runs/{run['id']}/withdraw", data={})
    assert page.status_code == 409
    assert "still has a chore and a harvest: withdraw that first" in page.text
    for path in (f"/api/harvests/{harvest['id']}", f"/api/chores/{chore['id']}"):
        assert room.client.delete(path).status_code == 204
    assert room.client.delete(f"/api/runs/{run['id']}").status_code == 204


def test_run_with_a_part_in_another_tray_cannot_be_withdrawn(room: Room) -> None:
    (run,) = spread(room, 17)
    part = split(room, run["id"], 18, 4.0)
    assert refused(room.client.delete(f"/api/runs/{run['id']}")) == (
        409,
        f"run {run['id']} still has a part of it in another tray: withdraw that first",
    )
    assert room.client.delete(f"/api/runs/{part['id']}").status_code == 204
    assert room.client.delete(f"/api/runs/{run['id']}").status_code == 204


def test_tray_with_a_run_stays_registered(room: Room) -> None:
    tray = room.post("/api/trays", number=17)
    spread(room, 17)
    assert refused(undo(room, f"tray:{tray['entry_id']}")) == (
        409,
        f"tray {tray['id']} is still referred to by run",
    )


def test_undone_start_and_its_undo_keep_the_seed(room: Room) -> None:
    seed = [{"lot_id": lot(room), "weight_g": 500.0}]
    (run,) = spread(room, 17, seed=seed)
    assert undo(room, f"run:{run['entry_id']}").status_code == 303
    entry = last_entry(room, f"/api/runs/{run['id']}")
    assert undo(room, f"run:{entry}").status_code == 303
    assert room.get(f"/api/runs/{run['id']}")["seed"] == seed
    assert flags(room) == []


def test_harvest_of_a_run_that_an_older_log_withdrew_is_put_right(room: Room) -> None:
    (run,) = spread(room, 17)
    room.watch.now = at(5.0)
    harvest = room.post(f"/api/runs/{run['id']}/harvests", harvested_at=iso(4.0))
    with room.service.database.write() as connection:
        withdraw(connection, RUN, run["id"], by=room.service.entrant())
    right = room.patch(f"/api/harvests/{harvest['id']}", weight_g=1500.0)
    assert right["weight_g"] == 1500.0
    assert undo(room, f"harvest:{right['entry_id']}").status_code == 303
    assert room.get(f"/api/harvests/{harvest['id']}")["weight_g"] is None
    assert room.client.delete(f"/api/harvests/{harvest['id']}").status_code == 204


def test_bag_that_an_older_log_lost_keeps_nothing_from_a_look(room: Room) -> None:
    (run,) = spread(room, 17, seed=[{"lot_id": lot(room), "weight_g": 500.0}])
    with room.service.database.write() as connection:
        withdraw(connection, SEED_LOT, run["seed"][0]["lot_id"], by=room.service.entrant())
    look(room, days=12)
    assert "overdue" in kinds(room)
    noted = room.patch(f"/api/runs/{run['id']}", note="by the door")
    assert (noted["note"], noted["seed"]) == ("by the door", run["seed"])
