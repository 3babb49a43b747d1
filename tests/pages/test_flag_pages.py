"""Pages of single reasons to look, and what became of those that were answered."""

from datetime import timedelta

import pytest
from playwright.sync_api import Page, expect

from service.models.flags import FlagOut
from service.models.room import Room
from service.pages.flags.since_words import since_words
from service.pages.words import Say
from tests.pages.conftest import assert_accessible
from tests.pages.house import MOULDY_TRAY, House
from tests.service.recorded_inspections import patch

PLACES = ({"x": -120.0, "y": 60.0}, {"x": 150.0, "y": -70.0})


def mould_flag(house: House) -> int:
    (flag,) = [one for one in house.get("/api/flags")["flags"] if one["kind"] == "possible mould"]
    return int(flag["id"])


def test_every_place_of_a_flag_is_shown(phone: Page, house: House) -> None:
    for size in (16.0, 22.0, 28.0):
        house.watch.forward(hours=12)
        spots = [patch(size, 0.97, **PLACES[0]), patch(size, 0.97, **PLACES[1])]
        house.photograph(MOULDY_TRAY, house.watch.now, cover=0.9, height_mm=70.0, mould=spots)
    phone.goto("/")
    phone.get_by_role("link", name="1 more place, with pictures").click()
    expect(phone.get_by_role("heading", name="Place 2 of 2")).to_be_visible()
    pictures = phone.get_by_role("main").get_by_role("img")
    expect(pictures).to_have_count(4)
    for picture in pictures.all():
        picture.scroll_into_view_if_needed()
        assert picture.evaluate("one => one.decode().then(() => one.naturalWidth)") == 640


def test_history_says_what_was_noticed_and_who_answered_what_when(
    plain_phone: Page, house: House
) -> None:
    flag = mould_flag(house)
    plain_phone.goto(f"/flags/{flag}")
    plain_phone.get_by_label("Note, if you like").fill("Smelled sour, stayed after wetting.")
    plain_phone.get_by_role("button", name="It is mould: hold it").click()
    history = plain_phone.get_by_role("list").last
    expect(history.get_by_role("listitem").first).to_have_text(
        "today 18:00: it is mould. “Smelled sour, stayed after wetting.”"
    )
    expect(history).to_contain_text("today 17:03: Tray 3, Top shelf, day 5: white fuzz")
    plain_phone.get_by_text("Looked again: end the hold of tray 3…").click()
    plain_phone.get_by_role("button", name="There was nothing: it looked fine").click()
    expect(history.get_by_role("listitem").first).to_contain_text("looked fine.")
    heading = plain_phone.get_by_role("heading", level=1)
    expect(heading).to_have_text("Tray 3: possible mould")


def test_verdicts_are_told_in_a_sentence_with_what_follows(phone: Page, house: House) -> None:
    phone.goto("/flags")
    heading = phone.get_by_role("heading", level=1)
    expect(heading).to_have_text("No verdict on possible mould in this room yet")
    behind = next(one for one in house.get("/api/flags")["flags"] if one["tray"] == 6)
    house.client.post(f"/flags/{mould_flag(house)}/answer", data={"answer": "root hairs"})
    house.client.post(f"/flags/{behind['id']}/answer", data={"answer": "3 hours"})
    phone.goto("/flags")
    expect(heading).to_have_text(
        "Possible mould was right 0 of 1 times in this room: more evidence is asked for"
    )
    # Beta-binomial with two right and two wrong looks before: odds of 3 to 2, by hand.
    expect(phone.get_by_role("main")).to_contain_text("must be 1.5 times as strong")
    expect(phone.get_by_text("right 0, not so 1")).to_be_visible()
    rows = phone.get_by_role("listitem")
    put_off = rows.filter(has=phone.get_by_role("link", name="Tray 6, Bottom shelf, day 5"))
    expect(put_off).to_contain_text("until today 21:00")
    answered = rows.filter(has=phone.get_by_role("link", name="Tray 3, Top shelf, day 5"))
    expect(answered).to_contain_text("it was root hairs, today 18:00")
    assert_accessible(phone)


def test_flag_that_went_by_itself_says_so(house: House) -> None:
    flag = mould_flag(house)
    run = house.get(f"/api/trays/{MOULDY_TRAY}")["run"]["id"]
    house.post(f"/api/runs/{run}/harvests", reason="thrown")
    shown = house.client.get(f"/flags/{flag}").text
    until = "today 18:00"
    assert f"It went by itself {until}: what asked for a look is no longer there." in shown
    assert f"From yesterday 17:03 until {until}." in shown
    gone = house.client.get("/flags").text.partition("Gone by themselves")[2]
    assert f'href="/flags/{flag}"' in gone
    assert f"gone {until}</strong>" in gone
    past = house.client.get(f"/trays/{MOULDY_TRAY}").text.partition("Earlier reasons to look")[2]
    assert f"Until {until}." in past


def test_when_it_began_and_when_it_was_noticed_are_told_apart(house: House) -> None:
    flag = next(one for one in house.get("/api/flags")["flags"] if one["tray"] == 6)
    say = Say(Room.model_validate(house.get("/api/room")), house.watch.now)
    told = FlagOut.model_validate(flag)
    assert told.opened_at - told.since > timedelta(days=1)
    words = f"Noticed {say.moment(told.opened_at)}; looking back, it began {say.moment(told.since)}"
    for page in ("/", f"/flags/{told.id}", "/trays/6"):
        assert words in house.client.get(page).text
    at_once = told.model_copy(update={"opened_at": told.since})
    assert since_words(at_once, say).startswith(f"Since {say.moment(told.since)} (")


def test_an_answer_written_down_later_counts_from_when_somebody_looked(
    plain_phone: Page, house: House
) -> None:
    flag = mould_flag(house)
    plain_phone.goto(f"/flags/{flag}")
    plain_phone.get_by_text("Looked at it earlier").click()
    plain_phone.get_by_label("When").fill("2026-03-07T17:20")
    plain_phone.get_by_role("button", name="It is mould: hold it").click()
    expect(plain_phone.get_by_role("main")).to_contain_text("on hold since today 17:20")
    (hold,) = house.get("/api/today")["holds"]
    assert hold["since"] == "2026-03-07T16:20:00Z"
    plain_phone.get_by_role("button", name="Undo").click()
    expect(plain_phone.get_by_role("heading", level=1)).to_contain_text("possible mould")


@pytest.mark.parametrize("at", ["2026-03-01T08:00", "2026-03-07T18:30"], ids=["before", "to come"])
def test_an_answer_lies_between_its_reason_and_now(house: House, at: str) -> None:
    flag = mould_flag(house)
    answer = house.client.post(f"/flags/{flag}/answer", data={"answer": "fine", "at": at})
    assert answer.status_code == 422
    assert "when it began, to now" in answer.text
    assert house.get(f"/api/flags/{flag}")["state"] == "open"
    refused = house.client.post(f"/api/flags/{flag}/done", json={"at": at})
    assert refused.json()["errors"][0]["field"] == "at"
