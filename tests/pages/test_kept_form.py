"""What was typed when a log-in ended is kept through the next one, and nothing foreign is."""

import html
import re
from typing import Any

import pytest
from playwright.sync_api import Browser, expect

from service.pages import addresses
from service.pages.forms.kept_form import unpacked
from tests.pages.conftest import PHONE, assert_accessible, open_page
from tests.pages.house import House

PASSWORD = "a long one to keep"


@pytest.fixture
def closed_house(house: House) -> House:
    """A room with a password, whose client is logged in as its owner."""
    house.post("/api/people", name="Mara", role="owner", password=PASSWORD)
    house.client.headers["origin"] = house.address
    house.post("/api/login", name="Mara", password=PASSWORD)
    return house


def end_other_log_ins(house: House) -> None:
    me = house.get("/api/me")["person"]["id"]
    _mine, *others = sorted(house.get(f"/api/people/{me}/sessions"), key=lambda one: int(one["id"]))
    assert others
    for one in others:
        assert house.client.delete(f"/api/sessions/{one['id']}").status_code == 204
    assert house.client.get("/api/me").status_code == 200


def sent_without_log_in(house: House, path: str, typed: dict[str, Any], **headers: str) -> Any:
    house.client.cookies.clear()
    said = {"accept": "text/html", "origin": house.address} | headers
    return house.client.post(path, data=typed, headers=said)


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "plain"])
def test_what_was_typed_is_saved_after_logging_in_again(
    browser: Browser, closed_house: House, scripts: bool
) -> None:
    page = open_page(browser, closed_house, PHONE, scripts=scripts)
    page.goto("/login")
    page.get_by_label("Name").fill("Mara")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Log in").click()
    page.goto("/set-up/racks")
    page.get_by_label("Name").first.fill("By the “north” door & <window>")
    end_other_log_ins(closed_house)
    page.get_by_role("button", name="Enter the rack").click()
    expect(page.get_by_text("What you typed is kept")).to_be_visible()
    if scripts:
        assert_accessible(page)
    page.get_by_label("Name").fill("Mara")
    page.get_by_label("Password").fill("not that one")
    page.get_by_role("button", name="Log in").click()
    expect(page.get_by_text("What you typed is kept")).to_be_visible()
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Log in").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Not saved yet")
    expect(page.get_by_text("entered by Mara, who is logged in now")).to_be_visible()
    if scripts:
        assert_accessible(page)
    racks = closed_house.get("/api/racks")
    page.get_by_role("button", name="Save it now").click()
    expect(page.get_by_role("heading", level=1)).not_to_have_text("Not saved yet")
    (added,) = [one for one in closed_house.get("/api/racks") if one not in racks]
    assert added["name"] == "By the “north” door & <window>"
    page.context.close()


def test_form_is_kept_as_it_was_sent(closed_house: House) -> None:
    typed = {"answer": "else", "cause": "root hairs", "note": "ü & = +\nnext line", "empty": ""}
    answer = sent_without_log_in(closed_house, "/flags/1/answer?back=%2Fflags", typed)
    assert answer.status_code == 401
    hidden = {
        name: html.unescape(value)
        for name, value in re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', answer.text)
    }
    assert hidden["kept_for"] == "/flags/1/answer?back=%2Fflags"
    kept = unpacked(hidden["kept_for"], hidden["kept"])
    assert kept is not None
    assert dict(kept.fields) == typed


@pytest.mark.parametrize(
    ("path", "typed", "headers"),
    [
        ("/flags/1/answer", {"answer": "fine"}, {"origin": "https://elsewhere.example"}),
        ("/flags/1/answer", {"answer": "fine"}, {"sec-fetch-site": "cross-site"}),
        ("/set-up/password", {"current": "x", "password": "y", "password_again": "y"}, {}),
        ("/chores", {"note": "x" * 100_001}, {}),
        (addresses.LOG_OUT, {}, {}),
    ],
    ids=["foreign origin", "foreign site", "password", "too long", "log-out"],
)
def test_what_is_not_to_be_kept_leads_to_the_log_in(
    closed_house: House, path: str, typed: dict[str, str], headers: dict[str, str]
) -> None:
    answer = sent_without_log_in(closed_house, path, typed, **headers)
    assert answer.status_code == 303
    assert answer.headers["location"] == addresses.LOG_IN


def test_programs_are_refused_as_before(closed_house: House) -> None:
    answer = sent_without_log_in(closed_house, "/api/chores", {"note": "x"}, accept="*/*")
    assert answer.status_code == 401
    assert answer.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize(
    ("to", "packed"),
    [
        ("https://elsewhere.example/", "a=1"),
        ("//elsewhere.example/", "a=1"),
        ("/room\n", "a=1"),
        ("/room", "a=" + "x" * 100_001),
        ("/room", "&".join(f"a{i}=1" for i in range(501))),
        ("/set-up/password", "password=seen"),
    ],
)
def test_nothing_else_is_taken_for_a_kept_form(to: str, packed: str) -> None:
    assert unpacked(to, packed) is None


def test_without_a_link_the_page_stays_with_what_was_typed(browser: Browser, house: House) -> None:
    page = open_page(browser, house, PHONE, scripts=True, worker=True)
    page.goto("/set-up/racks")
    name = page.get_by_label("Name").first
    name.fill("North wall")
    page.context.set_offline(True)
    button = page.get_by_role("button", name="Enter the rack")
    for _ in range(2):
        button.click()
        expect(page.get_by_role("alert")).to_contain_text("No link to the machine")
        expect(page.get_by_role("alert")).to_be_focused()
    expect(name).to_have_value("North wall")
    assert_accessible(page)
    page.context.set_offline(False)
    button.dblclick()
    expect(page.get_by_role("status").filter(has_text="North wall")).to_be_visible()
    racks = [rack["name"] for rack in house.get("/api/racks")]
    assert racks.count("North wall") == 1


def test_a_browser_that_cannot_send_a_form_again_sends_it_at_once(
    browser: Browser, house: House
) -> None:
    page = open_page(browser, house, PHONE, scripts=True)
    page.add_init_script("delete HTMLFormElement.prototype.requestSubmit")
    page.goto("/set-up/racks")
    page.get_by_label("Name").first.fill("South wall")
    page.get_by_role("button", name="Enter the rack").click()
    expect(page.get_by_role("status").filter(has_text="South wall")).to_be_visible()
