"""Seed on the pages: carried over by area, asked about where it is odd, and what is left of it."""

from typing import Any

import pytest

from service.models.room import Room, WeightUnit
from service.pages.runs.weight_doubts import seed_doubt
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


def test_what_is_left_of_a_lot_is_told_and_taking_more_is_asked_about_once(
    two_sizes: House,
) -> None:
    house = two_sizes
    lot = words(house.client.get("/set-up/lots/1"))
    assert "25 kg came, 0.9 kg of it soaked or spread as written: 24.1 kg left." in lot
    assert "Barley March (barley), 24.1 kg left" in words(house.client.get("/room/start"))
    soak = {"form": "chore", "title": "For Sunday", "kind": "soak", "done": "yes", "lot": "1"}
    soak["planned_for"] = "2026-03-07T17:58"
    assert said(house.client.post("/chores", data={**soak, "soaked": "20"}))[0] == (
        "Done: For Sunday."
    )
    done, _ = said(house.client.post("/chores", data={**soak, "soaked": "5"}))
    assert done == (
        "Done: For Sunday. Of Barley March 4.1 kg was left as written, and 5 kg was taken: is a "
        "weight wrong, or is it another bag?"
    )
    assert "nothing left" in words(house.client.get("/room/start"))
    done, _ = said(house.client.post("/chores", data={**soak, "soaked": "1"}))
    assert done == "Done: For Sunday."


def test_spreading_more_than_is_left_is_asked_about(two_sizes: House) -> None:
    house = two_sizes
    form = {"trays": "1-30, 32-61", "lot_1": "1", "weight_1": "0.5"}
    done, undo = said(house.client.post("/room/start", data=form))
    assert "Of Barley March 24.1 kg was left as written, and 30 kg was taken" in done
    assert undo


def test_seed_to_soak_is_proposed_for_the_trays_it_is_for(two_sizes: House) -> None:
    house = two_sizes
    form = {"form": "chore", "title": "", "soak_trays": "15, 31", "propose": "yes"}
    shown = house.client.post("/chores", data=form)
    assert shown.status_code == 200
    # 900 g as tray 31 had them, 567 g on the floor of tray 15.
    assert 'name="soaked"' in shown.text
    assert 'value="1.467"' in shown.text
    assert '<option value="1" selected>Barley March' in shown.text
    assert house.get("/api/chores") == []
    soak = {"form": "chore", "title": "For Sunday", "kind": "soak", "soak_trays": "31, 15"}
    said(house.client.post("/chores", data={**soak, "soaked": "1.467", "lot": "1"}))
    (chore,) = house.get("/api/chores")
    assert chore["details"] == {"lot_id": 1, "trays": "31, 15", "weight_g": 1467.0}
    assert "lot: Barley March; trays: 31, 15; weight: 1.467 kg" in words(house.client.get("/"))


def test_seed_to_soak_cannot_be_proposed_without_a_weight(empty_house: House) -> None:
    form = {"form": "chore", "title": "Soak", "soak_trays": "1", "propose": "yes"}
    shown = empty_house.client.post("/chores", data=form)
    assert shown.status_code == 422
    assert "the seed of the last spreading was not weighed" in words(shown)


def test_a_batch_goes_on_to_the_next_shelves_of_its_rack(house: House) -> None:
    rack = house.post("/api/racks", name="Far rack")["id"]
    for level in (1, 2, 3):
        shelf = house.post("/api/shelves", rack_id=rack, name=f"Shelf {level}", level=level)["id"]
        for place in (1, 2, 3, 4):
            house.post("/api/positions", shelf_id=shelf, name=str(place))
    shown = house.client.get("/room/start").text
    assert "a full shelf goes on to the next of its rack" in shown
    form = {"trays": "11-19", "place": "position:2"}
    done, undo = said(house.client.post("/room/start", data=form))
    assert (
        " They stand from Far rack, Shelf 1, position 2 and from Far rack, Shelf 2, position 1 "
        "and from Far rack, Shelf 3, position 1."
    ) in done
    stands = [house.get(f"/api/trays/{number}")["position_id"] for number in range(11, 20)]
    assert stands == [2, 3, 4, 5, 6, 7, 8, 9, 10]
    assert undo
    full = house.client.post("/room/start", data={"trays": "41-52", "place": "position:2"})
    assert full.status_code == 422
    assert "must have 12 positions from there on in its rack, but has 11" in words(full)
