"""Air as it is written down: at the top and the bottom of each rack, and asked about when odd."""

import re
from datetime import timedelta

import pytest

from tests.pages.house import EVENING, House


def _legends(house: House) -> list[str]:
    form = (
        house.client.get("/").text.partition('name="form" value="air"')[2].partition("</form>")[0]
    )
    return re.findall(r"<legend>(.*?)</legend>", form)


def _second_rack(house: House) -> list[int]:
    rack = house.post("/api/racks", name="Rack by the tap")["id"]
    names = ("Top shelf", "Middle shelf", "Bottom shelf")
    return [
        int(house.post("/api/shelves", rack_id=rack, name=name, level=level)["id"])
        for level, name in enumerate(names, start=1)
    ]


def test_air_is_read_at_both_ends_of_each_rack_in_which_something_grows(house: House) -> None:
    assert _legends(house) == ["Top shelf", "Bottom shelf"]
    shelves = _second_rack(house)
    of_first = ["Rack by the door, Top shelf", "Rack by the door, Bottom shelf"]
    of_second = ["Rack by the tap, Top shelf", "Rack by the tap, Bottom shelf"]
    assert _legends(house) == of_first
    house.post("/api/runs", tray=20, spread_at=EVENING.isoformat())
    house.post("/api/trays/20/placements", shelf_id=shelves[1])
    assert _legends(house) == of_first + of_second
    sheet = house.client.get("/print/round").text
    assert [name for name in of_first + of_second if f">{name}</th>" in sheet] == (
        of_first + of_second
    )
    # A form that was opened before the tray was moved away is taken all the same.
    house.post("/api/trays/20/placements", shelf_id=1)
    field = {f"shelf {shelves[0]} now": "19", "shelf 2 now": "18"}
    assert house.client.post("/readings", data=field).status_code == 303
    shown = house.client.get("/").text
    assert "<strong>Rack by the tap, Top shelf</strong> <span>19.0 °C" in shown


@pytest.mark.parametrize(
    ("unit", "field", "typed", "question"),
    [
        ("°C", "now", "68", "Is 68.0 °C in the right unit?"),
        ("°F", "highest", "22", "Is 22.0 °F in the right unit?"),
        ("°C", "humidity", "0.6", "0.6 % humid: is the decimal point right?"),
    ],
)
def test_air_that_no_room_has_is_kept_and_asked_about(
    house: House, unit: str, field: str, typed: str, question: str
) -> None:
    house.client.patch("/api/room", json={"temperature_unit": unit})
    answer = house.client.post("/readings", data={f"shelf 1 {field}": typed})
    assert answer.status_code == 303
    shown = house.client.get("/").text
    # In the notice with its undo, and beside the reading for as long as it stands.
    assert shown.count(question) >= 2
    assert question not in house.client.get("/print/round").text
    assert question in house.client.get("/room/written").text


def test_air_as_rooms_have_it_is_not_asked_about(house: House) -> None:
    data = {"shelf 1 now": "36", "shelf 1 lowest": "1", "shelf 1 humidity": "100"}
    assert house.client.post("/readings", data=data).status_code == 303
    assert "right" not in house.client.get("/").text.partition('id="air"')[2].partition("form")[0]


def test_air_hotter_than_any_room_adds_no_warmth(house: House) -> None:
    with house.looked_at_last():
        for hours in range(0, 132, 10):
            at = EVENING - timedelta(hours=hours)
            house.post("/api/readings", read_at=at.isoformat(), temperature_c=19.5)
    before = house.get("/api/trays/1/curve")["thermal"]["height"]["points"]
    at = EVENING - timedelta(hours=25)
    house.post("/api/readings", read_at=at.isoformat(), temperature_c=68.0)
    assert house.get("/api/trays/1/curve")["thermal"]["height"]["points"] == before


def _air(house: House) -> str:
    return house.client.get("/").text.partition('<h2 id="air">')[2].partition("<details")[0]


def test_air_beyond_a_limit_is_marked_and_asked_for_again(house: House) -> None:
    assert "level look" not in _air(house)
    assert "Not read since" not in _air(house)
    data = {"shelf 1 now": "31", "shelf 1 lowest": "9", "shelf 1 humidity": "60"}
    assert house.client.post("/readings", data=data).status_code == 303
    assert '<span class="level look">Too hot and lowest cold</span>' in _air(house)
    assert "31.0 °C, lowest 9.0 °C, 60 % humid" in _air(house)
    house.watch.forward(hours=15)
    asked = "Not read since yesterday 18:00: read it now, the lowest and the highest too."
    assert asked in _air(house)
    assert '<span class="level look">Too hot and lowest cold</span>' in _air(house)


def test_the_humidity_of_the_paper_is_typed_in_as_it_stands_there(house: House) -> None:
    form = {"shelf 1 humidity": "70", "shelf 1 humidity_lowest": "55,5"}
    answer = house.client.post(
        "/readings",
        data={**form, "shelf 1 humidity_highest": "50"},
        headers={"accept": "text/html"},
    )
    assert answer.status_code == 422
    assert "Top shelf, Lowest humidity</strong></a> must not exceed the highest" in answer.text
    assert 'value="55,5"' in answer.text
    form["shelf 1 humidity_highest"] = "95"
    assert house.client.post("/readings", data=form).status_code == 303
    assert "70 % humid, lowest 56 % humid, highest 95 % humid" in _air(house)
    (reading,) = [one for one in house.get("/api/readings") if one["shelf_id"] == 1]
    assert (reading["humidity_low_percent"], reading["humidity_high_percent"]) == (55.5, 95.0)
