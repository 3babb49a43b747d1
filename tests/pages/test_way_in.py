"""From registered trays to the first look: each step is done when it is done, not before."""

import re

from tests.pages.house import EVENING, House
from tests.pages.test_room_forms import said, words


def steps(house: House) -> dict[str, bool]:
    """Steps of the first page, and whether it calls them done."""
    _, _, listed = house.client.get("/").text.partition('<ol class="steps">')
    shown = re.findall(
        r'<li class="row leads"><strong><a href="[^"]+">([^<]+)</a></strong>( <span>Done\.)?',
        listed.partition("</ol>")[0],
    )
    return {what: bool(done) for what, done in shown}


def kit_field(house: House, name: str, query: str = "") -> str:
    found = re.search(
        rf'name="{name}"[^>]* value="([^"]*)"', house.client.get(f"/set-up/kit{query}").text
    )
    assert found is not None
    return found[1]


def test_the_way_in_leads_on_until_the_first_photo(empty_house: House) -> None:
    house = empty_house
    answer = house.client.post("/set-up/trays", data={"numbers": "1-3"})
    assert answer.headers["location"] == "/set-up/kit?trays=1-3"
    assert steps(house) == {
        "Enter a seed lot": False,
        "Print and mount the kits": False,
        "Write down which trays were spread": False,
        "Snap the first photos": False,
    }
    assert "Not ticked as mounted, and in no photo: 1–3." in words(house.client.get("/set-up"))
    done, undo = said(house.client.post("/set-up/kit", data={"mounted": "1-2"}))
    assert done == "Kits are mounted: 1–2."
    assert undo
    assert not steps(house)["Print and mount the kits"]
    said(house.client.post("/set-up/kit", data={"mounted": "3"}))
    said(house.client.post("/set-up/lots", data={"name": "Barley March"}))
    said(house.client.post("/room/start", data={"trays": "1", "lot_1": "1", "weight_1": "0.5"}))
    assert steps(house) == {
        "Enter a seed lot": True,
        "Print and mount the kits": True,
        "Write down which trays were spread": True,
        "Snap the first photos": False,
    }
    house.watch.forward(hours=1)
    house.photograph(1, EVENING)
    assert "Still to do before the first look" not in house.client.get("/").text


def test_a_room_in_which_nothing_grows_leads_to_spreading(house: House) -> None:
    for tray in range(1, 7):
        run = house.get(f"/api/trays/{tray}")["run"]["id"]
        house.post(f"/api/runs/{run}/harvests")
    assert '<a class="act" href="/room/start">Trays were spread</a>' in house.client.get("/").text


def test_kits_are_offered_for_trays_that_have_none_yet(empty_house: House) -> None:
    house = empty_house
    assert kit_field(house, "trays") == "1-12"
    said(house.client.post("/set-up/trays", data={"numbers": "1-24"}))
    assert kit_field(house, "trays") == "1-24"
    said(house.client.post("/set-up/kit", data={"mounted": "1-24"}))
    large = {"numbers": "31-72", "tray_size": "600x400x50", "tray_size_unit": "mm"}
    answer = house.client.post("/set-up/trays", data=large)
    query = answer.headers["location"].removeprefix("/set-up/kit")
    assert kit_field(house, "trays", query) == "31-72"
    # Those of the room's size first, since one print is of one size.
    said(house.client.post("/set-up/trays", data={"numbers": "25-30"}))
    assert kit_field(house, "trays") == "25-30"
    assert kit_field(house, "mounted") == "25-72"
    shown = house.client.get("/set-up/kit").text
    assert shown.count('name="level"') == 3
    assert len(re.findall(r'name="level" value="\d" checked', shown)) == 1
    wrong = house.client.post("/set-up/kit", data={"mounted": "96"})
    assert wrong.status_code == 422
    assert "must be from 0 to 95, got 96" in words(wrong)
