"""Curves and forecasts are the library's, over the right points."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from tests.service.conftest import START, Room
from trayvision.growth.curve import fit_growth
from trayvision.growth.fit import GrowthPoint
from trayvision.growth.harvest_forecast import HarvestTarget, forecast_harvest
from trayvision.growth.prior import Quantity, published_prior

SPREAD = START - timedelta(days=5)
DAILY = (1.0, 2.0, 3.0, 4.0, 5.0)
# No photo lies on a whole day, so that an age cut to days shows.
UNEVEN = (1.3, 2.6, 3.4, 4.1, 4.9)


def _height(day: float, late_days: float = 0.0) -> float:
    """A logistic in days, mm (closed form)."""
    return float(200 / (1 + np.exp(-(day - 5.5 - late_days))))


def _grow(
    room: Room,
    tray: int,
    spread_at: datetime,
    *,
    late_days: float = 0.0,
    days: Sequence[float] = DAILY,
    **said: Any,
) -> int:
    """A run photographed on some days, its heights those of `_height`."""
    with room.looked_at_last():
        run = room.post("/api/runs", tray=tray, spread_at=spread_at.isoformat(), **said)
        for day in days:
            at = spread_at + timedelta(days=day)
            room.photograph(tray, at, height_mm=_height(day, late_days))
    return int(run["id"])


def _points_by_hand() -> list[GrowthPoint]:
    """What was photographed on the uneven days; 3 mm is what those photos state."""
    return [GrowthPoint(day, _height(day), 3.0) for day in UNEVEN]


def _cover(room: Room, tray: int, spread_at: datetime, *, warm_c: float) -> int:
    """A finished run whose cover is a logistic in °C d (closed form), in air of `warm_c`."""
    with room.looked_at_last():
        run = room.post("/api/runs", tray=tray, spread_at=spread_at.isoformat())
        for day in range(1, 8):
            cover = 0.95 / (1 + np.exp(-(warm_c * day - 88.0) / 12.0))
            at = spread_at + timedelta(days=day)
            room.photograph(tray, at, height_mm=20.0 * day, cover=float(cover))
        ended_at = (spread_at + timedelta(days=8)).isoformat()
        room.post(f"/api/runs/{run['id']}/harvests", harvested_at=ended_at)
    return int(run["id"])


def _air(room: Room, spread_at: datetime, temperature_c: float, **where: int) -> None:
    with room.looked_at_last():
        for hour in range(0, 193, 12):
            at = (spread_at + timedelta(hours=hour)).isoformat()
            room.post("/api/readings", read_at=at, temperature_c=temperature_c, **where)


def test_curve_is_the_librarys_over_these_points(room: Room) -> None:
    run = _grow(room, 17, SPREAD, days=UNEVEN)
    curve = room.get("/api/trays/17/curve")
    points = _points_by_hand()
    assert [point["day"] for point in curve["height"]["points"]] == pytest.approx(UNEVEN)
    fitted = fit_growth(points, prior=published_prior(Quantity.HEIGHT, grain="barley"))
    ages = curve["height"]["fitted"]["day"]
    low, median, high = fitted.band(ages, rng=np.random.default_rng(run), coverage=0.9)
    assert curve["height"]["fitted"]["median"] == pytest.approx(median, abs=0.006)
    assert curve["height"]["fitted"]["low"] == pytest.approx(low, abs=0.006)
    assert curve["height"]["fitted"]["high"] == pytest.approx(high, abs=0.006)


def test_forecast_is_the_librarys_in_moments(room: Room) -> None:
    run = _grow(room, 17, SPREAD, days=UNEVEN)
    curve = room.get("/api/trays/17/curve")
    points = _points_by_hand()
    forecast = forecast_harvest(
        fit_growth(points, prior=published_prior(Quantity.HEIGHT, grain="barley")),
        target=HarvestTarget(150.0, 8.0),
        rng=np.random.default_rng(run),
    )
    assert forecast.median_hours is not None
    expected = SPREAD + timedelta(hours=forecast.median_hours)
    given = datetime.fromisoformat(curve["forecast"]["harvest_at"])
    assert abs(given - expected) <= timedelta(seconds=1)
    assert room.get("/api/trays/17")["forecast"] == curve["forecast"]


def test_own_target_goes_before_the_rooms(room: Room) -> None:
    run = _grow(room, 17, SPREAD)
    room.patch(f"/api/runs/{run}", target_shoot_height_mm=60.0)
    sooner = room.get("/api/trays/17/curve")["forecast"]
    room.patch(f"/api/runs/{run}", target_shoot_height_mm=None)
    later = room.get("/api/trays/17/curve")["forecast"]
    assert (sooner["target_shoot_height_mm"], later["target_shoot_height_mm"]) == (60.0, 150.0)
    assert sooner["harvest_at"] < later["harvest_at"]


def test_run_without_photos_has_the_priors_curve(room: Room) -> None:
    room.post("/api/runs", tray=17, spread_at=SPREAD.isoformat())
    curve = room.get("/api/trays/17/curve")
    assert curve["height"]["points"] == []
    median = curve["height"]["fitted"]["median"]
    assert all(before <= after for before, after in pairwise(median))
    assert curve["forecast"]["harvest_at"] is not None


def test_finished_runs_teach_the_next_one(room: Room) -> None:
    for past in range(4):
        spread_at = SPREAD - timedelta(days=9 * (past + 1))
        run = _grow(room, 17, spread_at, late_days=1.0)
        ended = (spread_at + timedelta(days=8)).isoformat()
        room.post(f"/api/runs/{run}/harvests", harvested_at=ended)
    room.post("/api/runs", tray=17, spread_at=SPREAD.isoformat())
    room.post("/api/lots", name="W1", grain="wheat")
    curve = room.get("/api/trays/17/curve")["height"]["fitted"]
    published = published_prior(Quantity.HEIGHT, grain="barley")
    assert curve["prior"].startswith("4 past runs of barley in this room")
    alone, _ = fit_growth([], prior=published).at(5.0)
    # Four slow runs: the next one is expected to be slow too.
    assert curve["median"][curve["day"].index(5.0)] < alone


def test_what_was_thrown_teaches_nothing(room: Room) -> None:
    for past, reason in enumerate(("harvested", "thrown", "harvested", "other")):
        spread_at = SPREAD - timedelta(days=9 * (past + 1))
        run = _grow(room, 17, spread_at)
        ended = (spread_at + timedelta(days=8)).isoformat()
        room.post(f"/api/runs/{run}/harvests", harvested_at=ended, reason=reason)
    room.post("/api/runs", tray=17, spread_at=SPREAD.isoformat())
    curve = room.get("/api/trays/17/curve")["height"]["fitted"]
    assert curve["prior"].startswith("3 past runs of barley in this room")


def test_finished_runs_teach_those_of_their_seed_first(room: Room) -> None:
    good, poor, new = (
        [{"lot_id": room.post("/api/lots", name=name)["id"], "weight_g": 450}]
        for name in ("first bag", "second bag", "third bag")
    )
    for past, seed in enumerate((good, good, poor, [*good, *poor])):
        spread_at = SPREAD - timedelta(days=9 * (past + 1))
        late = 2.0 if seed is poor else 0.0
        run = _grow(room, 17, spread_at, late_days=late, seed=seed)
        ended = (spread_at + timedelta(days=8)).isoformat()
        room.post(f"/api/runs/{run}/harvests", harvested_at=ended)
    fitted = {}
    for tray, seed in ((1, good), (2, poor), (3, new)):
        _grow(room, tray, SPREAD, days=(), seed=seed)
        fitted[tray] = room.get(f"/api/trays/{tray}/curve")["height"]["fitted"]
    priors = {tray: fit["prior"].partition(", shrunk")[0] for tray, fit in fitted.items()}
    # Spread with both is neither's.
    assert priors == {
        1: "2 past runs of barley of this seed",
        2: "one past run of barley of this seed",
        3: "4 past runs of barley in this room",
    }
    on_day_5 = {tray: fit["median"][fit["day"].index(5.0)] for tray, fit in fitted.items()}
    assert on_day_5[2] < on_day_5[3] - 5.0 < on_day_5[1] - 5.0


def test_the_shelf_and_the_seed_teach_together(room: Room) -> None:
    upper, _ = _two_shelves(room)
    lot = room.post("/api/lots", name="bag")["id"]
    seed = [{"lot_id": lot, "weight_g": 450}]
    for past, tray in enumerate((17, 18, 16)):
        spread_at = SPREAD - timedelta(days=9 * (past + 1))
        run = _grow(room, tray, spread_at, seed=seed if tray == 17 else [])
        ended = (spread_at + timedelta(days=8)).isoformat()
        room.post(f"/api/runs/{run}/harvests", harvested_at=ended)
    long_ago = (SPREAD - timedelta(days=40)).isoformat()
    room.post("/api/trays/18/placements", shelf_id=upper, placed_at=long_ago)
    _grow(room, 18, SPREAD, days=(), seed=seed)
    prior = room.get("/api/trays/18/curve")["height"]["fitted"]["prior"]
    assert prior.startswith(
        "one past run of barley on this shelf and one past run of barley of this seed, "
        "shrunk towards: 3 past runs of barley in this room"
    )


def test_grain_comes_from_the_lot(room: Room) -> None:
    lot = room.post("/api/lots", name="W1", grain="wheat")
    run = room.post("/api/runs", tray=17, seed=[{"lot_id": lot["id"], "weight_g": 450}])
    assert run["grain"] == "wheat"
    assert run["seed"] == [{"lot_id": lot["id"], "weight_g": 450}]
    assert "stand in for wheat" in room.get("/api/trays/17/curve")["height"]["fitted"]["prior"]


def test_shelf_compares_its_runs_by_age(room: Room) -> None:
    rack = room.post("/api/racks", name="left")
    shelf = room.post("/api/shelves", rack_id=rack["id"], name="top", level=1)
    for tray, spread_at in ((17, SPREAD), (18, SPREAD - timedelta(days=1))):
        room.post("/api/trays", number=tray)
        at = spread_at.isoformat()
        room.post(f"/api/trays/{tray}/placements", shelf_id=shelf["id"], placed_at=at)
        _grow(room, tray, spread_at)
    curves = room.get(f"/api/shelves/{shelf['id']}/curves")
    assert [run["tray"] for run in curves["runs"]] == [17, 18]
    first, second = (
        [(point["day"], point["value"]) for point in run["height"]["points"]]
        for run in curves["runs"]
    )
    assert first == second
    assert len(curves["usual"]["day"]) == len(curves["usual"]["mean"])
    assert curves["usual"]["runs"] == 0


def test_thermal_time_is_degrees_times_days(room: Room) -> None:
    # A room held at 20 °C gathers 20 °C d a day above 0 °C: a closed form.
    _grow(room, 17, SPREAD)
    assert room.get("/api/trays/17/curve")["thermal"] is None
    with room.looked_at_last():
        for hour in range(0, 121, 6):
            at = (SPREAD + timedelta(hours=hour)).isoformat()
            room.post("/api/readings", read_at=at, temperature_c=20.0)
    thermal = room.get("/api/trays/17/curve")["thermal"]
    given = [point["degree_days"] for point in thermal["height"]["points"]]
    assert given == pytest.approx([20.0, 40.0, 60.0, 80.0, 100.0])
    assert thermal["mean_c"] == pytest.approx(20.0)
    assert thermal["forecast"]["harvest_at"] is not None


def test_shelfs_own_thermometer_goes_before_the_rooms(room: Room) -> None:
    rack = room.post("/api/racks", name="left")
    shelf = room.post("/api/shelves", rack_id=rack["id"], name="top", level=1)
    room.post("/api/trays", number=17)
    at = SPREAD.isoformat()
    room.post("/api/trays/17/placements", shelf_id=shelf["id"], placed_at=at)
    _grow(room, 17, SPREAD)
    with room.looked_at_last():
        for hour in range(0, 121, 6):
            moment = (SPREAD + timedelta(hours=hour)).isoformat()
            room.post("/api/readings", read_at=moment, temperature_c=18.0)
            room.post("/api/readings", read_at=moment, temperature_c=23.0, shelf_id=shelf["id"])
    thermal = room.get("/api/trays/17/curve")["thermal"]
    assert thermal["height"]["points"][0]["degree_days"] == pytest.approx(23.0)


def _two_shelves(room: Room) -> tuple[int, int]:
    """A shelf at 20 °C and one at 10 °C, each with a thermometer; the room's says 30 °C."""
    rack = room.post("/api/racks", name="left")["id"]
    with room.looked_at_last():
        shelves = [
            int(room.post("/api/shelves", rack_id=rack, name=name, level=level)["id"])
            for level, name in enumerate(("warm", "cold"), start=1)
        ]
        for hour in range(0, 121, 6):
            moment = (SPREAD + timedelta(hours=hour)).isoformat()
            for where, warm_c in ((shelves[0], 20.0), (shelves[1], 10.0), (None, 30.0)):
                room.post("/api/readings", read_at=moment, temperature_c=warm_c, shelf_id=where)
    return shelves[0], shelves[1]


# 42 h at 20 °C, 6 h from 20 to 10 °C between two readings, then 10 °C: the area of trapezia.
_MOVED_ON_DAY_2 = [20.0, 35.0 + 3.75, 35.0 + 3.75 + 10.0, 35.0 + 3.75 + 20.0, 35.0 + 3.75 + 30.0]


def test_warmth_of_a_tray_that_was_moved_is_that_of_each_shelf_then(room: Room) -> None:
    warm, cold = _two_shelves(room)
    run = _grow(room, 17, SPREAD)
    for shelf, day in ((warm, 0), (cold, 2)):
        at = (SPREAD + timedelta(days=day)).isoformat()
        room.post("/api/trays/17/placements", shelf_id=shelf, placed_at=at)
    points = room.get(f"/api/runs/{run}/curve")["thermal"]["height"]["points"]
    assert [one["degree_days"] for one in points] == pytest.approx(_MOVED_ON_DAY_2)


def test_warmth_of_a_part_is_that_of_the_tray_it_was_taken_from_before(room: Room) -> None:
    warm, cold = _two_shelves(room)
    run = _grow(room, 17, SPREAD)
    at = (SPREAD + timedelta(days=2)).isoformat()
    part = room.post(f"/api/runs/{run}/split", tray=18, split_at=at)["id"]
    long_ago = (SPREAD - timedelta(days=30)).isoformat()
    room.post("/api/trays/17/placements", shelf_id=warm, placed_at=long_ago)
    room.post("/api/trays/18/placements", shelf_id=cold, placed_at=long_ago)
    with room.looked_at_last():
        for day in (3, 4, 5):
            room.photograph(18, SPREAD + timedelta(days=day), height_mm=20.0 * day)
    points = room.get(f"/api/runs/{part}/curve")["thermal"]["height"]["points"]
    assert [one["degree_days"] for one in points] == pytest.approx(_MOVED_ON_DAY_2[2:])
    stayed = room.get(f"/api/runs/{run}/curve")["thermal"]["height"]["points"]
    assert [one["degree_days"] for one in stayed] == pytest.approx([20.0, 40.0, 60.0, 80.0, 100.0])


def test_cover_over_thermal_time_is_the_librarys(room: Room) -> None:
    run = _cover(room, 17, SPREAD - timedelta(days=9), warm_c=20.0)
    _air(room, SPREAD - timedelta(days=9), 20.0)
    thermal = room.get(f"/api/runs/{run}/curve")["thermal"]
    cover = thermal["cover"]
    assert (cover["quantity"], cover["unit"]) == ("cover", "1")
    given = [point["degree_days"] for point in cover["points"]]
    assert given == pytest.approx([20.0 * day for day in range(1, 8)])
    points = [
        GrowthPoint(20.0 * day, point["value"], point["uncertainty"])
        for day, point in zip(range(1, 8), cover["points"], strict=True)
    ]
    published = published_prior(Quantity.COVER, grain="barley", thermal=True)
    fitted, ages = fit_growth(points, prior=published), cover["fitted"]["degree_days"]
    low, median, high = fitted.band(ages, rng=np.random.default_rng(run), coverage=0.9)
    assert cover["fitted"]["median"] == pytest.approx(median, abs=6e-5)
    assert cover["fitted"]["low"] == pytest.approx(low, abs=6e-5)
    assert cover["fitted"]["high"] == pytest.approx(high, abs=6e-5)
    # Without any other run it starts from what was judged, and says so.
    assert cover["fitted"]["prior"].startswith("Judgement from the look by day")


def test_cold_shelf_is_late_by_age_and_not_by_warmth(room: Room) -> None:
    rack = room.post("/api/racks", name="left")
    shelves = {
        warm_c: room.post("/api/shelves", rack_id=rack["id"], name=name, level=1)["id"]
        for name, warm_c in (("warm", 22.0), ("cold", 16.0))
    }
    for warm_c, shelf in shelves.items():
        for number in range(3):
            tray, spread_at = int(warm_c) + number, SPREAD - timedelta(days=10 + 9 * number)
            room.post("/api/trays", number=tray)
            at = spread_at.isoformat()
            room.post(f"/api/trays/{tray}/placements", shelf_id=shelf, placed_at=at)
            _cover(room, tray, spread_at, warm_c=warm_c)
            _air(room, spread_at, warm_c, shelf_id=shelf)
    curves = room.get(f"/api/shelves/{shelves[16.0]}/curves")
    assert [len(run["thermal"]["cover"]["points"]) for run in curves["runs"]] == [7, 7, 7]
    by_age, by_warmth = curves["usual_cover"], curves["thermal_usual_cover"]
    assert (by_age["runs"], by_warmth["runs"], curves["thermal_usual"]["runs"]) == (3, 3, 3)
    assert by_age["lag_days"] > 2 * by_age["lag_uncertainty_days"]
    assert abs(by_warmth["lag_degree_days"]) < by_warmth["lag_uncertainty_degree_days"]
    # Half of 0.95 after 88 °C d, by the closed form that all six runs follow.
    half = np.interp(88.0, by_warmth["degree_days"], by_warmth["mean"])
    assert half == pytest.approx(0.475, abs=0.05)
    assert by_warmth["prior"].startswith("3 past runs of cold")


def test_shelf_without_air_has_nothing_over_thermal_time(room: Room) -> None:
    rack = room.post("/api/racks", name="left")
    shelf = room.post("/api/shelves", rack_id=rack["id"], name="top", level=1)["id"]
    curves = room.get(f"/api/shelves/{shelf}/curves")
    assert (curves["thermal_usual"], curves["thermal_usual_cover"]) == (None, None)
    assert curves["usual_cover"]["runs"] == 0


def test_one_reading_more_takes_no_warmth_away(room: Room) -> None:
    rack = room.post("/api/racks", name="left")
    shelf = room.post("/api/shelves", rack_id=rack["id"], name="top", level=1)["id"]
    run = _grow(room, 17, SPREAD)
    room.post("/api/trays/17/placements", shelf_id=shelf, placed_at=SPREAD.isoformat())
    with room.looked_at_last():
        for hour in range(0, 100, 14):
            at = (SPREAD + timedelta(hours=hour)).isoformat()
            room.post("/api/readings", read_at=at, temperature_c=20.0)

    def last_known() -> tuple[str, float]:
        thermal = room.get(f"/api/runs/{run}/curve")["thermal"]
        return thermal["known_until"], thermal["height"]["points"][-1]["degree_days"]

    before = last_known()
    # Late, in the room: 19 h after the last one; at noon of day 3, on its own shelf.
    for hour, where in ((117, {}), (60, {"shelf_id": shelf})):
        at = (SPREAD + timedelta(hours=hour)).isoformat()
        room.post("/api/readings", read_at=at, temperature_c=20.0, **where)
        assert last_known() == before
