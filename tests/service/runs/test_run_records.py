"""Yields, the record of possible mould and the pace of groups, as the log changes."""

from datetime import datetime, timedelta

import numpy as np
import pytest

from service.flags.mould_record import UNANSWERED, MouldCount, count_mould, mould_answers
from service.growth.group_growth import grouped_growth
from service.growth.growth import RoomGrowth
from service.growth.room_normal import LEAST_RUNS, room_normal
from service.models.flags import Verdict
from service.models.runs import EndReason
from service.room.room_log import the_room
from service.room.tray_history import tray_history
from service.runs.run_calendar import run_spans
from service.runs.run_facts import RunFact, run_facts
from service.runs.yields import Yield, yields_by
from tests.service.conftest import START, Room
from tests.service.recorded_inspections import patch
from trayvision.growth.prior import Quantity

SPREAD = START - timedelta(days=30)


def facts_of(room: Room) -> dict[int, RunFact]:
    with room.service.database.read() as connection:
        by_tray = run_facts(connection)
    return {fact.run_id: fact for facts in by_tray.values() for fact in facts}


def answers_of(room: Room) -> dict[int, str]:
    with room.service.database.read() as connection:
        return dict(mould_answers(connection))


def run(room: Room, tray: int, spread_at: datetime, **body: object) -> int:
    return int(room.post("/api/runs", tray=tray, spread_at=spread_at.isoformat(), **body)["id"])


def harvest(room: Room, run_id: int, at: datetime, **body: object) -> int:
    path = f"/api/runs/{run_id}/harvests"
    return int(room.post(path, harvested_at=at.isoformat(), **body)["id"])


def grown(room: Room, tray: int, *, late_days: float = 0.0, shelf_id: int | None = None) -> int:
    """A finished run of eight days, its heights a logistic in days (closed form)."""
    spread_at = SPREAD + timedelta(minutes=tray)
    with room.looked_at_last():
        run_id = run(room, tray, spread_at)
        if shelf_id is not None:
            placed = {"shelf_id": shelf_id, "placed_at": spread_at.isoformat()}
            room.post(f"/api/trays/{tray}/placements", **placed)
        for day in range(2, 9):
            height = 180 / (1 + np.exp(-1.2 * (day - 5.0 - late_days)))
            room.photograph(tray, spread_at + timedelta(days=day), height_mm=float(height))
        harvest(room, run_id, spread_at + timedelta(days=8, hours=1))
    return run_id


def test_seed_of_which_one_lot_was_not_weighed_gives_no_yield(room: Room) -> None:
    lots = [room.post("/api/lots", name=name)["id"] for name in ("first", "second")]
    seed = [{"lot_id": lots[0], "weight_g": 500.0}, {"lot_id": lots[1]}]
    one = run(room, 1, SPREAD, seed=seed)
    harvest(room, one, SPREAD + timedelta(days=8), weight_g=3000.0)
    fact = facts_of(room)[one]
    assert (fact.fresh_g, fact.seed_g, fact.ratio) == (3000.0, None, None)


def test_facts_follow_what_is_entered_and_corrected(room: Room) -> None:
    lots = [room.post("/api/lots", name=name)["id"] for name in ("first", "second")]
    seed = [{"lot_id": lots[0], "weight_g": 400.0}, {"lot_id": lots[1], "weight_g": 100.0}]
    one = run(room, 1, SPREAD, seed=seed)
    other = run(room, 2, SPREAD, seed=[{"lot_id": lots[0]}])
    assert (facts_of(room)[one].seed_g, facts_of(room)[other].seed_g) == (500.0, None)
    assert facts_of(room)[one].ended_at is None
    harvest(room, one, SPREAD + timedelta(days=7), weight_g=1000.0, ends_run=False)
    harvest(room, one, SPREAD + timedelta(days=8), weight_g=1500.0)
    fact = facts_of(room)[one]
    assert (fact.fresh_g, fact.ratio, fact.lots) == (2500.0, 5.0, tuple(lots))
    assert fact.ended_at == SPREAD + timedelta(days=8)
    room.patch(f"/api/runs/{other}", seed=[{"lot_id": lots[1], "weight_g": 250.0}])
    assert (facts_of(room)[other].seed_g, facts_of(room)[other].lots) == (250.0, (lots[1],))
    harvest(
        room, one, SPREAD + timedelta(days=7.5), weight_g=700.0, ends_run=False, reason="thrown"
    )
    # What was thrown is no yield, wherever it is told.
    assert facts_of(room)[one].fresh_g == 2500.0
    told = room.get(f"/api/runs/{one}")
    assert (told["harvest_weight_g"], told["thrown_weight_g"]) == (2500.0, 700.0)
    page = room.client.get(f"/runs/{one}").text
    assert "2.5 kg; thrown: 0.7 kg" in page
    # A part that was not weighed makes no whole of the others.
    unweighed = harvest(room, one, SPREAD + timedelta(days=7.6), ends_run=False)
    assert room.get(f"/api/runs/{one}")["harvest_weight_g"] is None
    assert room.client.delete(f"/api/harvests/{unweighed}").status_code == 204
    part = harvest(room, other, SPREAD + timedelta(days=8))
    assert facts_of(room)[other].fresh_g is None
    room.patch(f"/api/harvests/{part}", weight_g=500.0)
    assert facts_of(room)[other].ratio == 2.0


def test_fact_says_where_a_run_ended(room: Room) -> None:
    rack = room.post("/api/racks", name="rack")["id"]
    shelves = [
        room.post("/api/shelves", rack_id=rack, name=f"shelf {level}", level=level)["id"]
        for level in (1, 2)
    ]
    one = run(room, 1, SPREAD)
    for shelf, days in zip(shelves, (0, 3), strict=True):
        at = (SPREAD + timedelta(days=days)).isoformat()
        room.post("/api/trays/1/placements", shelf_id=shelf, placed_at=at)
    assert facts_of(room)[one].shelf_id == shelves[1]
    harvest(room, one, SPREAD + timedelta(days=2))
    assert facts_of(room)[one].shelf_id == shelves[0]


def test_yields_say_how_many_were_weighed(room: Room) -> None:
    lot = room.post("/api/lots", name="first")["id"]
    for tray, weight in enumerate((2000.0, 3000.0, None, 2500.0), start=1):
        seed = [{"lot_id": lot, "weight_g": 500.0}]
        at = SPREAD + timedelta(days=8)
        harvest(room, run(room, tray, SPREAD, seed=seed), at, weight_g=weight)
    thrown = run(room, 9, SPREAD, seed=[{"lot_id": lot, "weight_g": 500.0}])
    harvest(room, thrown, SPREAD + timedelta(days=4), weight_g=100.0, reason="thrown")
    found = yields_by(facts_of(room).values(), lambda fact: fact.lots)
    # Ratios 4, 5 and 6: with fewer than five the smallest and largest are given.
    assert found == {lot: Yield(4, 3, 5.0, 4.0, 6.0)}


def test_yields_of_many_runs_give_the_middle_half() -> None:
    def of(ratios: list[float]) -> Yield:
        facts = [
            RunFact(n, n, SPREAD, START, EndReason.HARVESTED, None, (), 1.0, ratio)
            for n, ratio in enumerate(ratios)
        ]
        return yields_by(facts, lambda _: ("all",))["all"]

    # Quartiles by linear interpolation, as numpy gives them, of uneven yields in any order.
    ratios = [6.3, 4.1, 7.7, 5.0, 5.2, 6.6, 3.2]
    low, middle, high = np.quantile(ratios, [0.25, 0.5, 0.75])
    found = of(ratios)
    assert (found.harvested, found.weighed) == (7, 7)
    assert [found.low, found.middle, found.high] == pytest.approx([low, middle, high])
    # The half in the middle of four is two of them, of five three: from then on it is told.
    assert of([6.0, 3.0, 4.0, 5.0]) == Yield(4, 4, 4.5, 3.0, 6.0)
    assert of([6.0, 3.0, 7.0, 4.0, 5.0]) == Yield(5, 5, 5.0, 4.0, 6.0)


def _mouldy(room: Room, tray: int) -> int:
    run_id = run(room, tray, START - timedelta(days=6))
    for day, size in ((4, 9.0), (5, 16.0)):
        at = START - timedelta(days=6 - day)
        room.photograph(tray, at, cover=0.3, mould=[patch(size, 0.97)])
    return run_id


def test_mould_is_counted_by_what_people_found(room: Room) -> None:
    runs = [_mouldy(room, tray) for tray in (1, 2, 3)]
    clean = run(room, 4, START - timedelta(days=6))
    assert answers_of(room) == dict.fromkeys(runs, UNANSWERED)
    flags = {flag["tray"]: flag["id"] for flag in room.get("/api/flags")["flags"]}
    room.post(f"/api/flags/{flags[1]}/verdict", verdict="right")
    room.post(f"/api/flags/{flags[2]}/verdict", verdict="root hairs")
    said = answers_of(room)
    assert said == {
        runs[0]: Verdict.RIGHT,
        runs[1]: Verdict.ROOT_HAIRS,
        runs[2]: UNANSWERED,
    }
    counts = count_mould(facts_of(room).values(), said, lambda fact: (fact.run_id == clean,))
    assert counts == {False: MouldCount(3, 1, 1, 1), True: MouldCount(1, 0, 0, 0)}
    with room.service.database.read() as connection:
        now, spans = room.watch(), run_spans(connection)
        history = tray_history(connection, spans[:1], room=the_room(connection), now=now)
    assert [past.mould for past in history] == ["right"]


def test_groups_pace_is_the_shelfs_as_the_api_gives_it(room: Room) -> None:
    rack = room.post("/api/racks", name="rack")["id"]
    shelves = [
        room.post("/api/shelves", rack_id=rack, name=f"shelf {level}", level=level)["id"]
        for level in (1, 2)
    ]
    for tray in range(1, 7):
        top = tray % 2
        grown(room, tray, late_days=-0.5 if top else 0.5, shelf_id=shelves[0 if top else 1])
    with room.service.database.read() as connection:
        growth = RoomGrowth(connection, the_room(connection), room.watch())
        found = grouped_growth(growth, "barley", lambda one: (one.shelf_id,))
        again = grouped_growth(growth, "wheat", lambda one: (one.shelf_id,))
    assert again == {}
    for shelf in shelves:
        usual = room.get(f"/api/shelves/{shelf}/curves")["usual"]
        assert found[shelf].runs == usual["runs"] == 3
        assert found[shelf].lag == usual["lag_days"]
        assert found[shelf].lag_uncertainty == usual["lag_uncertainty_days"]
        assert list(found[shelf].mean) == usual["mean"][: len(found[shelf].mean)]
    assert found[shelves[0]].lag < 0 < found[shelves[1]].lag


def test_normal_needs_five_finished_runs(room: Room) -> None:
    for tray in range(1, LEAST_RUNS + 1):
        with room.service.database.read() as connection:
            growth = RoomGrowth(connection, the_room(connection), room.watch())
            normal = room_normal(growth.teaching(Quantity.HEIGHT, "barley"))
        assert (normal.runs, normal.ages, normal.at(5.0)) == (tray - 1, (), None)
        grown(room, tray)
    with room.service.database.read() as connection:
        growth = RoomGrowth(connection, the_room(connection), room.watch())
        normal = room_normal(growth.teaching(Quantity.HEIGHT, "barley"))
    usual = normal.at(5.0)
    assert usual is not None
    # Half of 180 mm on day 5, by the closed form that the runs follow.
    assert usual[1] == pytest.approx(90.0, abs=4.0)
    # A tenth beyond the last photo on day 8 at most.
    assert normal.at(9.0) is None


def test_history_of_a_run_tells_the_seed_of_each_entry(room: Room) -> None:
    lots = [room.post("/api/lots", name=name)["id"] for name in ("first", "second")]
    run_id = run(room, 1, SPREAD, seed=[{"lot_id": lots[0], "weight_g": 400.0}])
    room.patch(f"/api/runs/{run_id}", seed=[{"lot_id": lots[1]}], why="wrong bag")
    assert room.client.delete(f"/api/runs/{run_id}").status_code == 204
    said = room.get(f"/api/runs/{run_id}/history")["entries"]
    assert [entry["values"]["seed"] for entry in said] == [
        [{"lot_id": lots[0], "weight_g": 400.0}],
        [{"lot_id": lots[1], "weight_g": None}],
        [{"lot_id": lots[1], "weight_g": None}],
    ]


def test_tray_whose_photos_lie_in_no_run_leads_to_the_last_one(room: Room) -> None:
    run_id = run(room, 1, SPREAD)
    photos = [room.photograph(1, SPREAD + timedelta(days=day), height_mm=20.0) for day in (3, 4)]
    assert "never photographed" not in room.client.get("/trays/1").text
    assert room.client.delete(f"/api/runs/{run_id}").status_code == 204
    page = room.client.get("/trays/1").text
    assert "never photographed" not in page
    assert f'none lies in a run of it: <a href="/photos/{photos[1]["id"]}">' in page
