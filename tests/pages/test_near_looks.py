"""A look for possible mould is said next door as well, and stands before the harvest."""

import pytest
from playwright.sync_api import Page, expect

from tests.pages.house import EVENING, MOULDY_TRAY, House

_SAID = f"Its neighbour, tray {MOULDY_TRAY}, is to be looked at for possible mould."
_IN_A_ROW = f"Near tray {MOULDY_TRAY} (possible mould)"


def flag_of_mould(house: House) -> int:
    (flag,) = [one for one in house.get("/api/flags")["flags"] if one["kind"] == "possible mould"]
    return int(flag["id"])


def said_of(house: House) -> set[int]:
    """Trays whose own page says it; the room and the round must say it of as many."""
    trays = {tray for tray in range(1, 7) if _SAID in house.client.get(f"/trays/{tray}").text}
    assert house.client.get("/room").text.count(_IN_A_ROW) == len(trays)
    assert house.client.get("/").text.count(_IN_A_ROW) == len(trays)
    return trays


@pytest.fixture
def due_house(house: House) -> House:
    """All trays are due, and none asks for more than its neighbour's look."""
    assert house.client.patch("/api/room", json={"target_day": 5}).status_code == 200
    other = [one for one in house.get("/api/flags")["flags"] if one["tray"] == 6]
    for flag in other:
        house.post(f"/api/flags/{flag['id']}/verdict", verdict="fine")
    return house


def test_trays_beside_an_open_look_and_below_it_on_the_water_say_so(due_house: House) -> None:
    house = due_house
    assert said_of(house) == {1, 2, 4, 5, 6}
    flag = flag_of_mould(house)
    assert f'<a href="/flags/{flag}">Its neighbour, tray 3' in house.client.get("/trays/2").text
    # A mark would call for a walk to each of them.
    assert 'class="level' not in house.client.get("/trays/2").text
    house.post(f"/api/flags/{flag}/verdict", verdict="husks")
    assert said_of(house) == set()


def test_where_somebody_found_mould_its_neighbours_are_to_be_looked_at(due_house: House) -> None:
    house = due_house
    house.post(f"/api/flags/{flag_of_mould(house)}/verdict", verdict="right")
    assert said_of(house) == set()
    assert "somebody found mould there" in house.client.get("/trays/2").text
    # Once that look was given by a photo, what was found next door is no open look either.
    house.watch.now = EVENING.replace(hour=18)
    house.photograph(2, house.watch.now, cover=0.9, height_mm=75.0)
    assert said_of(house) == set()


def test_the_look_stands_before_the_harvest_that_stays_within_reach(
    phone: Page, due_house: House
) -> None:
    house = due_house
    phone.goto(f"/trays/{MOULDY_TRAY}")
    harvest = phone.get_by_text(f"Take out tray {MOULDY_TRAY}, or a part of it")
    first = phone.locator("section.tray-actions a, section.tray-actions summary").first
    expect(first).to_have_text("Look at it first, then say what it was")
    expect(phone.get_by_label("Weight")).to_be_hidden()
    harvest.click()
    expect(phone.get_by_label("Weight").first).to_be_visible()
    first.click()
    expect(phone).to_have_url(f"{house.address}/flags/{flag_of_mould(house)}#answer")
    phone.get_by_role("button", name="It is mould: hold it").click()
    expect(phone.get_by_role("heading", level=1)).to_contain_text("on hold")
    # Somebody looked: taking it out is what is left.
    phone.goto(f"/trays/{MOULDY_TRAY}")
    expect(phone.get_by_label("Weight").first).to_be_visible()
    # Its neighbour is to be looked at and photographed first.
    phone.goto("/trays/2")
    expect(first).to_have_text("Look at it first, and photograph it")
    expect(phone.get_by_label("Weight")).to_be_hidden()
