"""A tray of which a part grows on in another tray, or was taken: one age, one seed, one yield.

All runs here are invented.
"""

import json
import re
from base64 import urlsafe_b64decode
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import sqlalchemy as sa

from service.log.schema import RUN
from service.period_report.period import Period
from service.period_report.runs import PeriodRuns
from service.room.room_log import the_room
from tests.service.conftest import Room
from tests.service.flags.test_attention import at, flags, kinds, look, mouldy, only, snap, spread

BARE = {"x_mm": -100.0, "y_mm": 0.0, "area_mm2": 40_000.0}


def iso(day: float) -> str:
    return at(day).isoformat().replace("+00:00", "Z")


def split(room: Room, run_id: int, tray: int, day: float, **more: Any) -> Any:
    room.watch.now = max(room.watch.now, at(day))
    return room.post(f"/api/runs/{run_id}/split", tray=tray, split_at=iso(day), **more)


def refused(room: Room, run_id: int, **body: Any) -> tuple[int, str, str]:
    response = room.client.post(f"/api/runs/{run_id}/split", json=body)
    (error,) = response.json()["errors"]
    return response.status_code, error["field"], error["rule"]


def held_trays(room: Room) -> list[int]:
    return [hold["tray"] for hold in room.get("/api/today")["holds"]]


def lot(room: Room, name: str = "B-7") -> int:
    return int(room.post("/api/lots", name=name, grain="barley", weight_kg=25.0)["id"])


def test_a_part_is_as_old_as_its_tray_and_takes_its_share_of_the_seed(room: Room) -> None:
    bag = lot(room)
    (run,) = spread(
        room,
        17,
        soaked_at=iso(-0.5),
        seed=[{"lot_id": bag, "weight_g": 500.0}],
        target_day=6.0,
    )
    part = split(room, run["id"], 18, 4.0, share=0.25)
    assert (part["tray"], part["split_from_id"], part["in_tray_from"]) == (18, run["id"], iso(4.0))
    assert (part["spread_at"], part["soaked_at"]) == (run["spread_at"], run["soaked_at"])
    assert (part["day_from_spread"], part["day_from_soak"], part["target_day"]) == (4.0, 4.5, 6.0)
    assert part["seed"] == [{"lot_id": bag, "weight_g": 125.0}]
    whole = room.get(f"/api/runs/{run['id']}")
    assert whole["seed"] == [{"lot_id": bag, "weight_g": 375.0}]
    assert whole["split_from_id"] is None
    # What was said first stays.
    said = room.get(f"/api/runs/{run['id']}/history")["entries"]
    assert [entry["why"] for entry in said] == [None, "25% put into tray 18"]


@pytest.mark.parametrize("grams", [None, 0.1, 333.3])
def test_seed_of_both_is_what_it_was(room: Room, grams: float | None) -> None:
    (run,) = spread(room, 17, seed=[{"lot_id": lot(room), "weight_g": grams}])
    part = split(room, run["id"], 18, 4.0, share=1 / 3)
    weights = [
        room.get(f"/api/runs/{one}")["seed"][0]["weight_g"] for one in (run["id"], part["id"])
    ]
    if grams is None:
        assert weights == [None, None]
    else:
        # Nothing lighter than a tenth of a gram is written down.
        assert sum(weights) == pytest.approx(max(grams, 0.2))


def seed_of(room: Room, *runs: int) -> list[list[float]]:
    """Weights of the seed of some runs, g."""
    return [[one["weight_g"] for one in room.get(f"/api/runs/{run_id}")["seed"]] for run_id in runs]


def test_part_of_a_part_is_of_the_run_that_was_spread(room: Room) -> None:
    (run,) = spread(room, 17, seed=[{"lot_id": lot(room), "weight_g": 400.0}])
    part = split(room, run["id"], 18, 3.0)
    third = split(room, part["id"], 19, 4.0)
    assert (part["taken_from_id"], third["taken_from_id"]) == (run["id"], part["id"])
    assert third["split_from_id"] == run["id"]
    assert seed_of(room, run["id"], part["id"], third["id"]) == [[200.0], [100.0], [100.0]]
    assert "A part of tray 18, put into this one" in room.client.get("/trays/19").text
    assert "A part of it was put into tray 19" in room.client.get("/trays/18").text
    assert "A part of it was put into tray 19" not in room.client.get("/trays/17").text
    # What it was taken from stays while it is there, and has its seed again when it is not.
    kept = room.client.delete(f"/api/runs/{part['id']}")
    assert kept.status_code == 409
    assert kept.json()["errors"][0]["rule"].endswith(
        "still has a part of it in another tray: withdraw that first"
    )
    assert room.client.delete(f"/api/runs/{third['id']}").status_code == 204
    assert seed_of(room, run["id"], part["id"]) == [[200.0], [200.0]]
    assert room.client.delete(f"/api/runs/{part['id']}").status_code == 204
    assert seed_of(room, run["id"]) == [[400.0]]


def test_undone_withdrawal_of_a_part_takes_its_seed_off_again(room: Room) -> None:
    (run,) = spread(room, 17, seed=[{"lot_id": lot(room), "weight_g": 400.0}])
    part = split(room, run["id"], 18, 3.0, share=0.25)
    entries = withdrawn_from_its_page(room, part["id"])
    assert seed_of(room, run["id"]) == [[400.0]]
    assert undo(room, entries).status_code == 303
    assert seed_of(room, run["id"], part["id"]) == [[300.0], [100.0]]
    assert room.get("/api/trays/18")["run"]["id"] == part["id"]
    # Where the seed was put right in between, it is not counted twice: nothing is undone.
    entries = withdrawn_from_its_page(room, part["id"])
    room.patch(f"/api/runs/{run['id']}", note="dense")
    answer = undo(room, entries)
    assert answer.status_code == 409
    assert room.client.get(f"/api/runs/{part['id']}").status_code == 404
    assert seed_of(room, run["id"]) == [[400.0]]


def withdrawn_from_its_page(room: Room, run_id: int) -> list[str]:
    """Withdraw a run as its page does; returns what the undo beside it sends."""
    path = f"/entries/runs/{run_id}/withdraw"
    answer = room.client.post(path, data={"why": "a wrong tap"}, follow_redirects=False)
    assert answer.status_code == 303
    notice = re.search(r'trayvision_notice="?([^";]+)', answer.headers["set-cookie"])
    assert notice is not None
    entries: list[str] = json.loads(urlsafe_b64decode(notice[1]))["undo"]
    return entries


def undo(room: Room, entries: list[str]) -> Any:
    return room.client.post("/undo", data={"entry": entries}, follow_redirects=False)


def test_other_tray_holds_the_part_from_then_on_only(room: Room) -> None:
    (run,) = spread(room, 17)
    before = room.post("/api/runs", tray=18, spread_at=iso(-6.0))
    room.post(f"/api/runs/{before['id']}/harvests", harvested_at=iso(2.0))
    photo = snap(room, 18, 1.5)
    part = split(room, run["id"], 18, 4.0)
    later = snap(room, 18, 4.5)
    assert [one["trays"][0]["day"] for one in (photo, later)] == [7.5, 4.5]
    points = room.get(f"/api/runs/{part['id']}/curve")["height"]["points"]
    assert points == []
    assert room.get("/api/trays/18")["run"]["id"] == part["id"]
    assert room.get(f"/api/runs/{before['id']}")["ended_at"] == iso(2.0)


def test_run_without_an_end_in_the_other_tray_ends_where_the_part_comes(room: Room) -> None:
    (run,) = spread(room, 17)
    before = room.post("/api/runs", tray=18, spread_at=iso(-6.0))
    split(room, run["id"], 18, 4.0)
    ended = room.get(f"/api/runs/{before['id']}")
    assert (ended["ended_at"], ended["ended_reason"]) == (iso(4.0), "next run started")


def test_age_corrected_of_the_whole_is_corrected_of_its_part(room: Room) -> None:
    (run,) = spread(room, 17)
    part = split(room, run["id"], 18, 4.0)
    snap(room, 18, 4.5)
    room.get("/api/trays")  # What was worked out before must not be kept.
    room.patch(f"/api/runs/{run['id']}", spread_at=iso(-1.0))
    assert room.get(f"/api/runs/{part['id']}")["spread_at"] == iso(-1.0)
    room.remeasured()
    assert room.get("/api/photos")["photos"][0]["trays"][0]["day"] == 5.5
    response = room.client.patch(f"/api/runs/{part['id']}", json={"spread_at": iso(-2.0)})
    (error,) = response.json()["errors"]
    assert (response.status_code, error["field"]) == (422, "spread_at")
    assert f"must be corrected at run {run['id']} of tray 17" in error["rule"]
    late = room.client.patch(f"/api/runs/{run['id']}", json={"spread_at": iso(4.5)})
    assert "a part was put into another tray" in late.json()["errors"][0]["rule"]


def test_withdrawn_part_gives_its_seed_back(room: Room) -> None:
    bag, other = lot(room), lot(room, "B-8")
    seed = [{"lot_id": bag, "weight_g": 400.0}, {"lot_id": other, "weight_g": 100.0}]
    (run,) = spread(room, 17, seed=seed)
    part = split(room, run["id"], 18, 4.0)
    assert room.client.delete(f"/api/runs/{part['id']}").status_code == 204
    assert room.get(f"/api/runs/{run['id']}")["seed"] == seed
    assert room.get("/api/trays/18")["run"] is None


def test_what_cannot_be_split_is_said(room: Room) -> None:
    (run,) = spread(room, 17)
    room.watch.now = at(5.0)
    assert refused(room, run["id"], tray=17, split_at=iso(4.0)) == (
        422,
        "tray",
        "must be another tray than 17, got the same",
    )
    status, field, rule = refused(room, run["id"], tray=18, split_at=iso(0.0))
    assert (status, field) == (422, "split_at")
    assert rule.startswith("must be later than 2026-03-01 07:00 UTC, since when it lies in tray 17")
    assert refused(room, run["id"], tray=18, share=0.99)[:2] == (422, "body.share")
    room.post(f"/api/runs/{run['id']}/harvests", harvested_at=iso(3.0))
    status, field, rule = refused(room, run["id"], tray=18, split_at=iso(4.0))
    assert (status, field) == (422, "split_at")
    assert "must be earlier than 2026-03-04 07:00 UTC, when tray 17 was taken" in rule
    spread(room, 18)
    status, field, rule = refused(room, run["id"], tray=18, split_at=iso(0.01))
    assert (status, field) == (409, "spread_at")
    assert room.client.post("/api/runs/999/split", json={"tray": 18}).status_code == 404
    # Nothing of all that was entered.
    assert len(room.get("/api/runs")) == 2


def test_tray_is_not_empty_before_its_part_left_it(room: Room) -> None:
    (run,) = spread(room, 17)
    part = split(room, run["id"], 18, 4.0)
    third = split(room, part["id"], 19, 5.0)
    room.watch.now = at(6.0)
    path = f"/api/runs/{run['id']}/harvests"
    early = room.client.post(path, json={"harvested_at": iso(3.0)})
    assert early.status_code == 422
    assert early.json()["errors"] == [
        {
            "field": "harvested_at",
            "rule": "must not be earlier than 2026-03-05 07:00 UTC, when a part was put into tray "
            f"18 (run {part['id']}), got 2026-03-04 07:00 UTC",
        }
    ]
    # A part was taken before, and the rest from when the part left; what left that part is its own.
    room.post(path, harvested_at=iso(3.0), ends_run=False)
    room.post(path, harvested_at=iso(4.0))
    of_part = f"/api/runs/{part['id']}/harvests"
    assert room.client.post(of_part, json={"harvested_at": iso(4.5)}).status_code == 422
    room.post(of_part, harvested_at=iso(5.5))
    assert room.get(f"/api/runs/{third['id']}")["ended_at"] is None


def test_tray_is_not_spread_again_before_its_part_left_it(room: Room) -> None:
    (run,) = spread(room, 17)
    part = split(room, run["id"], 18, 4.0)
    again = {"tray": 17, "spread_at": iso(3.0)}
    refusal = room.client.post("/api/runs", json=again)
    assert refusal.status_code == 422
    (error,) = refusal.json()["errors"]
    assert error["field"] == "spread_at"
    assert error["rule"] == (
        f"must not be earlier than 2026-03-05 07:00 UTC, when a part of run {run['id']} was put "
        "from tray 17 into tray 18; if that is wrong, correct it first"
    )
    assert room.client.delete(f"/api/runs/{part['id']}").status_code == 204
    room.post("/api/runs", **again)


@pytest.mark.parametrize("how", ["split", "harvest"])
def test_bare_floor_of_a_part_is_no_fault(room: Room, how: str) -> None:
    with room.looked_at_last():
        runs = spread(room, 17, 18, 19, 20)
        for tray in (17, 18, 19, 20):
            for day in (2.0, 3.0, 4.0):
                snap(room, tray, day, cover=0.15 * day)
    if how == "split":
        split(room, runs[0]["id"], 30, 4.2)
    else:
        room.watch.now = at(4.2)
        room.post(f"/api/runs/{runs[0]['id']}/harvests", harvested_at=iso(4.2), ends_run=False)
    with room.looked_at_last():
        for day in (4.6, 5.0, 5.6):
            for tray in (18, 19, 20):
                snap(room, tray, day, cover=0.17 * day)
            for tray in (17, 30)[: 2 if how == "split" else 1]:
                snap(room, tray, day, cover=0.3, bare_areas=[BARE])
    look(room)
    assert kinds(room) == []
    cover = room.get(f"/api/runs/{runs[0]['id']}/curve")["cover"]["points"]
    assert [point["day"] for point in cover] == [2.0, 3.0, 4.0]


def test_the_same_bare_floor_in_a_whole_tray_is_one(room: Room) -> None:
    with room.looked_at_last():
        spread(room, 17, 18, 19, 20)
        for day in (2.0, 3.0, 4.0, 4.6, 5.0, 5.6):
            for tray in (18, 19, 20):
                snap(room, tray, day, cover=0.17 * day)
            snap(room, 17, day, cover=0.3, bare_areas=[BARE] if day > 4.5 else [])
    look(room)
    assert kinds(room) != []
    assert {flag["tray"] for flag in flags(room)} == {17}


def test_part_of_a_confirmed_tray_is_held_with_it_also_when_that_is_gone(room: Room) -> None:
    (run,) = spread(room, 17)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    flag = only(room, "possible mould")
    room.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    part = split(room, run["id"], 18, 5.0)
    assert held_trays(room) == [17, 18]
    hold = room.get("/api/trays/18")["hold"]
    assert (hold["flag_id"], hold["run_id"], hold["confirmed"]) == (flag["id"], part["id"], True)
    room.post(f"/api/runs/{run['id']}/harvests", harvested_at=iso(5.1), reason="thrown")
    room.watch.forward(hours=4)
    assert held_trays(room) == [18]
    room.post(f"/api/flags/{flag['id']}/verdict", verdict="fine")
    assert held_trays(room) == []


def test_mould_confirmed_after_the_split_but_seen_before_holds_the_part(room: Room) -> None:
    (run,) = spread(room, 17)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    flag = only(room, "possible mould")
    assert flag["level"] == "look"
    split(room, run["id"], 18, 5.0)
    assert held_trays(room) == []
    room.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    assert held_trays(room) == [17, 18]


def test_part_of_a_mouldy_part_is_held_and_the_rest_is_not(room: Room) -> None:
    (run,) = spread(room, 17)
    part = split(room, run["id"], 18, 3.0)
    mouldy(room, 18, 3.5, 4.25, 4.75)
    room.post(f"/api/flags/{only(room, 'possible mould')['id']}/verdict", verdict="right")
    split(room, part["id"], 19, 5.0)
    assert held_trays(room) == [18, 19]


def test_mould_of_the_rest_does_not_hold_a_part_of_the_part_that_left_before(room: Room) -> None:
    (run,) = spread(room, 17)
    part = split(room, run["id"], 18, 3.0)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    room.post(f"/api/flags/{only(room, 'possible mould')['id']}/verdict", verdict="right")
    split(room, part["id"], 19, 5.0)
    assert held_trays(room) == [17]
    split(room, run["id"], 20, 5.1)
    assert held_trays(room) == [17, 20]


def test_mould_seen_before_the_first_split_holds_the_part_of_the_part(room: Room) -> None:
    (run,) = spread(room, 17)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    flag = only(room, "possible mould")
    part = split(room, run["id"], 18, 5.0)
    split(room, part["id"], 19, 6.0)
    room.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    assert held_trays(room) == [17, 18, 19]


def test_log_in_which_parts_lead_back_to_themselves_is_shown(room: Room) -> None:
    (run,) = spread(room, 17)
    part = split(room, run["id"], 18, 3.0)
    with room.service.database.write() as connection:
        connection.execute(sa.update(RUN).values(taken_from_id=part["id"]))
    # Anything that has the runs read anew.
    room.post("/api/runs", tray=19)
    assert held_trays(room) == []
    assert room.get("/api/trays/18/curve")["run_id"] == part["id"]


def test_part_just_put_over_is_not_called_without_a_photo(room: Room) -> None:
    (run,) = spread(room, 17)
    for day in (2.0, 3.0, 4.0, 4.9):
        snap(room, 17, day)
    split(room, run["id"], 18, 5.0)
    assert kinds(room) == []
    look(room, days=2)
    assert only(room, "no photo since")["trays"] == [17, 18]


def test_mould_found_after_the_split_holds_no_part(room: Room) -> None:
    (run,) = spread(room, 17)
    split(room, run["id"], 18, 3.0)
    mouldy(room, 17, 3.5, 4.25, 4.75, 5.25, 5.75, 6.25)
    assert held_trays(room) == [17]


def test_yield_is_counted_once(room: Room) -> None:
    (run,) = spread(room, 17, seed=[{"lot_id": lot(room), "weight_g": 500.0}])
    part = split(room, run["id"], 18, 4.0, share=0.4)
    room.watch.now = at(7.1)
    for run_id, weight_g in ((run["id"], 1800.0), (part["id"], 1200.0)):
        room.post(f"/api/runs/{run_id}/harvests", harvested_at=iso(7.0), weight_g=weight_g)
    with room.service.database.read() as connection:
        period = Period(date(2026, 2, 20), date(2026, 3, 20), ZoneInfo("Europe/Vienna"))
        totals = PeriodRuns(connection, the_room(connection), period, room.watch.now).totals()
    assert (totals.spread, totals.seed_g, totals.seed_not_weighed) == (1, 500.0, 0)
    assert (totals.harvests, totals.harvested_g) == (2, 3000.0)


def test_the_next_start_remembers_the_seed_of_a_whole_tray(room: Room) -> None:
    bag = lot(room)
    (old,) = spread(room, 17, seed=[{"lot_id": bag, "weight_g": 500.0}])
    room.watch.now = at(6.0)
    room.post(f"/api/runs/{old['id']}/harvests", harvested_at=iso(6.0))
    young = room.post(
        "/api/runs",
        tray=17,
        spread_at=iso(6.1),
        seed=[{"lot_id": bag, "weight_g": 500.0}],
    )
    split(room, young["id"], 18, 8.0)
    page = room.client.get("/room/start").text
    assert re.search(r'name="weight_1"[^>]* value="0.5"', page)
