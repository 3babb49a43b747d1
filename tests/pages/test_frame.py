"""What stands around every page: places, log-in, errors, undo."""

import re

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.pages.conftest import DESK, PHONE, assert_accessible, open_page
from tests.pages.house import House


# On a phone `test_every_page` walks what is there.
@pytest.mark.parametrize(
    ("path", "size"),
    [("/no-such-page", PHONE), ("/no-such-page", DESK), ("/more", DESK), ("/login", DESK)],
    ids=["nothing, phone", "nothing, desk", "more, desk", "login, desk"],
)
def test_frame_is_accessible(
    browser: Browser, shown_house: House, path: str, size: dict[str, int]
) -> None:
    page = open_page(browser, shown_house, size, scripts=True)
    page.goto(path)
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    assert_accessible(page)
    page.context.close()


def test_errors_are_pages_for_people_and_documents_for_programs(phone: Page, house: House) -> None:
    phone.goto("/no-such-page")
    expect(phone.get_by_role("heading", level=1)).to_have_text("There is no such page")
    expect(phone.locator("main")).to_contain_text("Nothing of this room is at /no-such-page.")
    assert house.client.get("/no-such-page").json()["status"] == 404


def test_whoever_is_not_logged_in_is_led_to_the_log_in_and_back(phone: Page, house: House) -> None:
    house.post("/api/people", name="Mara", role="owner", password="a long one to keep")
    phone.goto("/more?from=here")
    expect(phone).to_have_url(f"{house.address}/login?next=%2Fmore%3Ffrom%3Dhere")
    phone.get_by_label("Name").fill("Mara")
    phone.get_by_label("Password").fill("not this one")
    phone.get_by_role("button", name="Log in").click()
    expect(phone.get_by_role("alert")).to_contain_text("is wrong")
    expect(phone.get_by_role("alert")).to_contain_text("You are not logged in yet.")
    expect(phone.get_by_label("Password")).to_have_accessible_description(re.compile("is wrong"))
    expect(phone.get_by_label("Name")).to_have_value("Mara")
    phone.get_by_label("Password").fill("a long one to keep")
    phone.get_by_role("button", name="Log in").click()
    expect(phone).to_have_url(f"{house.address}/more?from=here")
    phone.get_by_role("button", name="Log out").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("Who is there?")


@pytest.mark.parametrize(
    "path", ["//elsewhere.example", "/\\elsewhere.example", "https://a.example"]
)
def test_log_in_leads_nowhere_else(house: House, path: str) -> None:
    shown = house.client.get("/login", params={"next": path})
    assert 'name="next" value="/"' in shown.text


def test_what_was_entered_can_be_undone_and_stays_in_the_history(house: House) -> None:
    rack = house.post("/api/racks", name="Second rack")
    form = {"entry": f"rack:{rack['entry_id']}"}
    answer = house.client.post("/undo", data=form)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert [one["name"] for one in house.get("/api/racks")] == ["Rack by the door"]
    again = house.client.post("/undo", data=form)
    assert again.status_code == 409
    assert "was corrected since" in again.json()["detail"]


def test_undoing_a_correction_puts_back_what_was_said_before(house: House) -> None:
    run = house.get("/api/trays/1")["run"]
    answer = house.client.patch(f"/api/runs/{run['id']}", json={"note": "wrong", "seed": []})
    entry_id = answer.json()["entry_id"]
    assert house.client.post("/undo", data={"entry": f"run:{entry_id}"}).status_code == 303
    after = house.get(f"/api/runs/{run['id']}")
    assert (after["note"], after["seed"]) == (None, run["seed"])


@pytest.mark.parametrize("entry", ["", "run", "run:x", "session:1", "run:99999"])
def test_undo_of_what_is_not_there_is_refused(house: House, entry: str) -> None:
    answer = house.client.post("/undo", data={"entry": entry})
    assert answer.status_code in (404, 422)


def test_what_is_printed_at_night_is_black_on_white(browser: Browser, shown_house: House) -> None:
    page = open_page(browser, shown_house, DESK, scripts=True)
    page.goto("/trays/3")
    page.emulate_media(media="print", color_scheme="dark")
    link = page.get_by_role("main").get_by_role("link").first
    expect(link).to_have_css("color", "rgb(0, 0, 0)")
    expect(page.locator("html")).to_have_css("background-color", "rgb(255, 255, 255)")
    expect(page.get_by_role("slider")).to_be_hidden()
    page.context.close()


def test_the_round_on_a_desk_breaks_no_tray_number(browser: Browser, shown_house: House) -> None:
    page = open_page(browser, shown_house, DESK, scripts=True)
    page.goto("/print/round")
    lines = page.get_by_role("columnheader", name="Tray").evaluate(
        "one => { const text = document.createRange(); text.selectNodeContents(one);"
        " return text.getClientRects().length; }"
    )
    assert lines == 1, "the word is broken over lines"
    page.context.close()


def test_undo_stands_on_one_line_beside_long_words(phone: Page) -> None:
    phone.goto("/set-up/racks")
    phone.get_by_label("Name").first.fill("By the door that leads to the washing place")
    phone.get_by_role("button", name="Enter the rack").click()
    undo = phone.get_by_role("button", name="Undo").bounding_box()
    assert undo is not None
    assert undo["width"] > undo["height"]
    assert undo["x"] + undo["width"] <= PHONE["width"]


def test_a_number_that_no_tray_has_is_said_of_the_address(house: House) -> None:
    answer = house.client.get("/trays/120", headers={"accept": "text/html"})
    assert answer.status_code == 422
    assert "In the address the number must be 95 or less, got &#39;120&#39;." in answer.text
    assert "the address was mistyped" in answer.text
    assert "path.number" not in answer.text
    assert "Go back" not in answer.text
