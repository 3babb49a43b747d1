"""Seed on the pages: carried over by area, asked about where it is odd, and what is left of it."""

from typing import Any

import pytest

from service.models.room import Room, WeightUnit
from service.pages.weight_doubts import seed_doubt
from service.pages.words import Say
from tests.pages.house import EVENING, House
from tests.pages.test_room_forms import said, words


def seed_of(house: House, tray: int) -> list[Any]:
    return house.get(f"/api/trays/{tray}")["run"]["seed"]  # type: ignore[no-any-return]


@pytest.fixture
def two_sizes(empty_house: House) -> House:
    """Tray 31 of 600 x 400 mm spread last, tray 15 of 540 x 280 mm never."""
    house = empty_house
    house.post("/api/lots", name="Barley March", weight_kg=25.0)
    house.post("/api/trays", number=15)
    house.post("/api/trays", number=31, size="600x400x50")
    form = {"trays": "31", "lot_1": "1", "weight_1": "0.9", "spread_at": "2026-03-07T17:55"}
    said(house.client.post("/room/start", data=form))
    return house


def test_seed_of_another_tray_is_carried_over_by_area(two_sizes: House) -> None:
    house = two_sizes
    # 0.24 m2 took 900 g; 0.1512 m2 take 567 g.
    assert "as last time: 0.567 kg of Barley March" in words(house.client.get("/room"))
    done, _ = said(house.client.post("/room/start", data={"trays": "15", "as_last_time": "yes"}))
    assert done == "Tray 15 started."
    assert seed_of(house, 15) == [{"lot_id": 1, "weight_g": 567.0}]


def test_a_weight_left_as_it_was_shown_is_by_area_and_a_typed_one_is_not(two_sizes: House) -> None:
    house = two_sizes
    shown = house.client.get("/room/start").text
    assert "is for a tray of 600 x 400 x 50 mm" in shown
    assert 'name="weight_1_shown" value="0.9"' in shown
    form = {"lot_1": "1", "weight_1": "0.9", "seed_for": "600x400x50", "weight_1_shown": "0.9"}
    house.watch.forward(hours=26)
    done, _ = said(house.client.post("/room/start", data={**form, "trays": "15, 31"}))
    assert " By their floors, 0.57 kg in tray 15, 0.9 kg in tray 31." in done
    house.watch.forward(hours=26)
    said(house.client.post("/room/start", data={**form, "trays": "15", "weight_1": "0.6"}))
    assert seed_of(house, 15) == [{"lot_id": 1, "weight_g": 600.0}]


@pytest.mark.parametrize(
    ("kg", "unit", "asked"),
    [
        (0.5, "kg", ""),
        (1.3, "kg", ""),
        (0.1, "kg", " 0.1 kg in {} is 0.7 kg/m², and 3 to 6 is usual: is the decimal point right?"),
        (
            500,
            "kg",
            " 500 kg in {} is 3307 kg/m², and 3 to 6 is usual: is the decimal point right?",
        ),
        # 4.5 kg are 9.92 lb; on 0.1512 m2, 1.6275 square feet, 6.1 pounds on each.
        (4.5, "lb", " 9.92 lb in {} is 6.1 lb/sq ft, and 0.61 to 1.2 is usual: is the decimal"),
    ],
)
def test_an_odd_rate_of_seed_is_asked_about_once_for_all_its_trays(
    room: Room, kg: float, unit: str, asked: str
) -> None:
    say = Say(room.model_copy(update={"weight_unit": WeightUnit(unit)}), EVENING)
    weights = dict.fromkeys((11, 12, 13, 14), 1000.0 * kg)
    told = seed_doubt(weights, {}, say)
    assert told.startswith(asked.format("each of trays 11, 12, 13 and 14"))
    assert bool(told) == bool(asked)
    assert seed_doubt({11: 1000.0 * kg}, {}, say).startswith(asked.format("tray 11"))


@pytest.fixture
def room(shown_house: House) -> Room:
    return Room.model_validate(shown_house.get("/api/room"))
