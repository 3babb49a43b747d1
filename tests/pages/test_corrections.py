"""Every entry is reached by links, long after its undo is gone: harvests, places, air, chores."""

import re
from datetime import timedelta

import pytest
from playwright.sync_api import Browser, expect

from tests.pages.conftest import PHONE, assert_accessible, open_page
from tests.pages.house import EVENING, House
from tests.pages.test_room_forms import harvest, said, words


def test_a_grower_taps_from_an_ended_run_to_its_harvest_and_corrects_it(
    browser: Browser, house: House
) -> None:
    said(harvest(house, 1, weight="3,2"))
    house.watch.now = EVENING + timedelta(days=2)
    phone = open_page(browser, house, PHONE, scripts=True)
    phone.goto("/trays/1")
    assert_accessible(phone)
    phone.get_by_role("link", name="All that was written of its last run: correct it").click()
    harvested = phone.get_by_role("listitem").filter(has_text="the whole tray, 3.2 kg")
    harvested.get_by_role("link", name="Correct it or withdraw it").first.click()
    phone.get_by_label("Weight").fill("3,6")
    phone.get_by_role("button", name="Correct it").click()
    expect(phone.get_by_role("status").first).to_contain_text("Corrected.")
    # The same way from the table of its runs, by the day on which it was spread.
    phone.goto("/trays/1")
    phone.get_by_role("link", name="2 March", exact=True).click()
    expect(phone.get_by_role("heading", level=1)).to_contain_text("harvested Saturday 7 March")
    expect(phone).to_have_url(re.compile(r"/runs/1$"))
    phone.context.close()


def test_a_degree_too_many_is_corrected_and_withdrawn_from_the_first_page(
    browser: Browser, house: House
) -> None:
    house.post("/api/readings", shelf_id=1, temperature_c=45.0, humidity_percent=70.0)
    phone = open_page(browser, house, PHONE, scripts=True)
    phone.goto("/")
    phone.get_by_role("link", name="Air written down in the last days: correct it").click()
    assert_accessible(phone)
    line = phone.get_by_role("listitem").filter(has_text="Top shelf, today 18:00: 45.0 °C, 70 %")
    line.get_by_role("link", name="Correct it").click()
    assert_accessible(phone)
    phone.get_by_label("Now").fill("15")
    phone.get_by_label("Where it was read").select_option(label="the room")
    phone.get_by_role("button", name="Correct it").click()
    expect(phone.get_by_role("status").first).to_contain_text("Corrected.")
    reading = house.get("/api/readings/2")
    assert (reading["temperature_c"], reading["shelf_id"]) == (15.0, None)
    assert (reading["humidity_percent"], reading["read_at"]) == (70.0, "2026-03-07T17:00:00Z")
    # A 45 °C that never was is no reason to look, and the shelf has no reading any more.
    assert "45.0 °C" not in words(house.client.get("/"))
    phone.get_by_role("button", name="Undo").click()
    expect(phone.get_by_role("status").first).to_contain_text("Undone")
    assert house.get("/api/readings/2")["temperature_c"] == 45.0
    done, undo = said(house.client.post("/entries/readings/2/withdraw", data={"why": "a typo"}))
    assert done.startswith("Withdrawn.")
    assert house.client.get("/api/readings/2").status_code == 404
    assert "because: a typo" in words(house.client.get("/entries/readings/2"))
    house.client.post("/undo", data={"entry": undo})
    assert house.get("/api/readings/2")["temperature_c"] == 45.0
    phone.context.close()


@pytest.mark.parametrize(
    ("form", "rule"),
    [
        ({"now": "", "humidity": ""}, "must hold a temperature or humidity; if it never was"),
        ({"lowest": "22", "highest": "20"}, "Lowest must not exceed the highest, got 22.0 and"),
        ({"now": "x"}, "Now must be a number, got 'x'"),
        ({"now": "450"}, "Now must be"),
        ({"humidity": "300"}, "Humidity must be"),
        ({"shelf": "99"}, "Where it was read 99 is not in the log"),
        ({"now": "19.5"}, "must differ from what holds now"),
    ],
)
def test_a_reading_that_breaks_a_rule_stays_as_it_was(
    shown_house: House, form: dict[str, str], rule: str
) -> None:
    answer = shown_house.client.post("/entries/readings/1", data=form)
    assert answer.status_code in (404, 422)
    assert rule in words(answer)
    assert len(shown_house.get("/api/readings/1/history")["entries"]) == 1


def test_air_of_a_room_in_fahrenheit_is_corrected_in_its_own_degrees(house: House) -> None:
    house.client.patch("/api/room", json={"temperature_unit": "°F"})
    assert 'value="67.1"' in house.client.get("/entries/readings/1").text
    said(house.client.post("/entries/readings/1", data={"now": "68", "lowest": "59"}))
    reading = house.get("/api/readings/1")
    # 68 °F is 20 °C and 59 °F is 15 °C.
    assert (reading["temperature_c"], reading["temperature_low_c"]) == (20.0, 15.0)


def test_a_chore_done_by_mistake_is_put_back_and_one_that_never_was_is_withdrawn(
    house: House,
) -> None:
    said(house.client.post("/chores", data={"title": "Clean the fan"}))
    said(house.client.post("/chores/1/done", data={}))
    assert "Clean the fan, planned for today 18:00, done today 18:00." in words(
        house.client.get("/room/written")
    )
    assert 'href="/room/written#chores"' in house.client.get("/").text
    said(house.client.post("/entries/chores/1", data={"done_at": "", "title": "Clean the fans"}))
    chore = house.get("/api/chores/1")
    assert (chore["title"], chore["done_at"], chore["done_by"]) == ("Clean the fans", None, None)
    late = house.client.post("/entries/chores/1", data={"done_at": "2026-03-08T07:00"})
    assert late.status_code == 422
    assert "Done must not be still to come" in words(late)
    said(house.client.post("/entries/chores/1/withdraw"))
    assert "Clean the fans" not in words(house.client.get("/"))
    assert "None was written down yet." in words(house.client.get("/room/written"))


def test_earlier_air_is_a_link_away(house: House) -> None:
    for hour in range(1, 32):
        at = (EVENING - timedelta(hours=hour)).isoformat()
        house.post("/api/readings", read_at=at, temperature_c=10.0 + hour / 10)
    first = house.client.get("/room/written")
    # With the one of the furnished house there are 32 in all, 30 of them at once.
    assert first.text.count(">Correct it<") == 30
    assert 'href="/room/written?air=30#readings"' in first.text
    rest = house.client.get("/room/written?air=30")
    assert rest.text.count(">Correct it<") == 2
    assert "13.1 °C" in words(rest)
    assert "Earlier ones" not in rest.text


def test_places_and_washing_between_runs_are_reached_from_the_tray(house: House) -> None:
    said(harvest(house, 1))
    said(house.client.post("/room/states", data={"trays": "1", "state": "resting"}))
    said(house.client.post("/room/new-tray", data={"number": "40"}))
    said(house.client.post("/room/move", data={"trays": "40", "place": "shelf:2"}))
    assert 'href="/trays/1/written"' in house.client.get("/trays/1").text
    shown = house.client.get("/trays/1/written")
    assert "Rack by the door, Top shelf from Monday 2 March 09:00." in words(shown)
    assert "Washed and at rest from today 18:00." in words(shown)
    assert 'href="/entries/tray-states/1"' in shown.text
    # Nothing was ever spread in it.
    assert "Bottom shelf from today 18:00." in words(house.client.get("/trays/40/written"))
    said(house.client.post("/room/new-tray", data={"number": "41"}))
    assert "Nobody said yet where it stands" in words(house.client.get("/trays/41/written"))


def test_where_a_tray_stood_long_ago_is_a_link_away(house: House) -> None:
    tray = house.get("/api/trays/2")
    for day in range(1, 32):
        at = (EVENING - timedelta(days=20 * day)).isoformat()
        house.post("/api/trays/2/placements", placed_at=at, shelf_id=tray["shelf_id"])
    first = house.client.get("/trays/2/written")
    # With the one of the furnished house there are 32 in all, 30 of them at once.
    assert first.text.count(">Correct it or withdraw it<") == 30
    assert 'href="/trays/2/written?places=30#placements"' in first.text
    # Its first place here, in the house as furnished, was written down before all others.
    assert "from Monday 2 March 09:00." not in words(first)
    rest = house.client.get("/trays/2/written?places=30")
    assert rest.text.count(">Correct it or withdraw it<") == 2
    assert "from Monday 2 March 09:00." in words(rest)
    assert "Earlier ones" not in rest.text


def test_a_refusal_that_names_a_run_leads_there(house: House) -> None:
    form = {"trays": "2", "spread_at": "2026-03-02T09:30"}
    answer = house.client.post("/room/start", data=form)
    assert answer.status_code == 409
    assert 'from <a href="/runs/2">the run of this tray</a>, spread Monday' in answer.text
    odd = house.client.post("/room/start", data={"trays": "<i>run 2 of this tray</i>"})
    assert "<i>" not in odd.text
    said(harvest(house, 2))
    again = house.client.post("/runs/2/harvest", data={"part": "whole", "reason": "harvested"})
    assert again.status_code == 422
    assert '<a class="row" href="/runs/2"><strong>It was taken today 18:00: correct' in again.text


def test_a_corrected_spreading_takes_the_soaking_with_it(house: House) -> None:
    run = house.get("/api/trays/1")["run"]
    page = house.client.get(f"/entries/runs/{run['id']}")
    assert "left alone it moves with the spreading" in words(page)
    shown = {"spread_at": "2026-02-23T09:00", "soaked_at": "2026-03-01T21:00"}
    answer = house.client.post(f"/entries/runs/{run['id']}", data=shown)
    assert answer.status_code == 303, words(answer)
    now = house.get("/api/trays/1")["run"]
    assert (now["spread_at"], now["soaked_at"]) == ("2026-02-23T08:00:00Z", "2026-02-22T20:00:00Z")
    led = house.client.get(answer.headers["location"])
    assert "The soaking moved with the spreading: 12 hours before, as it was." in words(led)
    # Whoever types both means both.
    both = {"spread_at": "2026-02-24T09:00", "soaked_at": "2026-02-23T09:00"}
    house.client.post(f"/entries/runs/{run['id']}", data=both)
    assert house.get("/api/trays/1")["run"]["soaked_at"] == "2026-02-23T08:00:00Z"
