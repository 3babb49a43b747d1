"""The room as it stands, and the journeys from it: start, move, harvest, rest, correct, undo."""

import re
import threading
from datetime import timedelta

import pytest
import sqlalchemy as sa
from playwright.sync_api import Browser, Page, expect

from service.pages.room.free_places import free_words
from tests.pages.conftest import DESK, PHONE, assert_accessible, open_page
from tests.pages.house import EVENING, MOULDY_TRAY, House
from tests.pages.test_room_forms import harvest, said, words


def visible_row(page: Page, number: int) -> str:
    """What is said of a growing tray."""
    link = page.get_by_role("link", name=f"Tray {number}", exact=True)
    row = page.get_by_role("listitem").filter(has=link)
    return str(row.inner_text())


# What `test_every_page` walks on a phone, here on a desk.
ON_A_DESK = ("/room", "/runs/3", "/entries/runs/3")
FILTERED = ("/room?show=hold", "/room/move?tray=2")


@pytest.mark.parametrize(
    ("size", "paths"), [(PHONE, FILTERED), (DESK, (*ON_A_DESK, *FILTERED))], ids=["phone", "desk"]
)
def test_pages_of_the_room_are_accessible(
    browser: Browser, shown_house: House, size: dict[str, int], paths: tuple[str, ...]
) -> None:
    page = open_page(browser, shown_house, size, scripts=True)
    for path in paths:
        page.goto(path)
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        assert_accessible(page)
    page.context.close()


def test_the_room_says_first_what_grows_is_due_and_is_on_hold(shown_house: House) -> None:
    shown = words(shown_house.client.get("/room"))
    assert (
        "6 trays grow. None is due today. Tray 6 is to be looked at first. "
        "Tray 3 is on hold: do not feed."
    ) in shown
    assert "What is day 0 in this room?" in shown
    assert "day 5 (6 from soaking)" in shown


def test_a_held_tray_is_counted_among_what_is_due_nowhere(house: House) -> None:
    assert house.client.patch("/api/room", json={"target_day": 2.0}).status_code == 200
    shown = words(house.client.get("/room"))
    assert "Trays 1, 2, 4, 5 and 6 are due today." in shown
    assert "5 due today 1 on hold" in shown
    listed = words(house.client.get("/room?show=due"))
    assert "on hold: do not feed" in listed
    assert "Hold: do not feed" not in listed


def test_trays_stand_on_their_shelves_in_rows_on_a_phone_and_strips_on_a_desk(
    browser: Browser, shown_house: House
) -> None:
    page = open_page(browser, shown_house, PHONE, scripts=False)
    page.goto("/room")
    names = page.locator("h2, h3.shelf-name").all_inner_texts()
    assert names[:3] == ["Rack by the door", "Top shelf", "Bottom shelf"]
    top = page.get_by_role("list", name="Top shelf").get_by_role("listitem")
    boxes = [top.nth(index).bounding_box() for index in range(3)]
    tops = [box["y"] for box in boxes if box is not None]
    assert tops == sorted(tops)
    assert len(set(tops)) == 3
    page.set_viewport_size({"width": DESK["width"], "height": DESK["height"]})
    lefts = [box["x"] for index in range(3) if (box := top.nth(index).bounding_box()) is not None]
    assert lefts == sorted(lefts)
    assert len(set(lefts)) == 3
    assert "Hold: do not feed" in visible_row(page, MOULDY_TRAY)
    page.context.close()


def test_rows_are_low_and_one_line_higher_next_to_a_look_for_mould(
    plain_phone: Page, house: House
) -> None:
    rows = plain_phone.get_by_role("list", name="Top shelf").get_by_role("listitem")

    def highest() -> float:
        plain_phone.goto("/room")
        boxes = [rows.nth(index).bounding_box() for index in range(2)]
        return max(box["height"] for box in boxes if box is not None)

    assert highest() < 175
    flag = next(one for one in house.get("/api/flags")["flags"] if one["tray"] == MOULDY_TRAY)
    house.post(f"/api/flags/{flag['id']}/verdict", verdict="husks")
    assert highest() < 150


def test_trays_without_a_fresh_photo_are_named_and_filtered(house: House) -> None:
    house.watch.now = EVENING + timedelta(days=2)
    shown = words(house.client.get("/room"))
    assert "no photo since Saturday 7 March" in shown
    assert "6 without a fresh photo" in shown
    found = house.client.get("/room?show=no-photo&shelf=2")
    assert "Bottom shelf" in words(found)
    assert 'href="/trays/4"' in found.text
    assert 'href="/trays/1"' not in found.text


def test_the_room_is_asked_once_from_when_it_counts(phone: Page, house: House) -> None:
    phone.goto("/room")
    phone.get_by_role("button", name="The day of soaking").click()
    expect(phone.get_by_role("status")).to_contain_text("Day 0 is when seed is soaked")
    expect(phone.get_by_text("What is day 0 in this room?")).to_have_count(0)
    assert "day 6 (5 in tray)" in visible_row(phone, 1)
    phone.get_by_role("button", name="Count from spreading").click()
    expect(phone.get_by_role("button", name="Count from soaking")).to_be_visible()
    assert house.get("/api/room")["day_zero"] == "spread"


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_a_tray_is_harvested_rested_started_and_moved_on_a_phone(
    browser: Browser, house: House, scripts: bool
) -> None:
    phone = open_page(browser, house, PHONE, scripts=scripts)
    phone.goto("/trays/1")
    phone.get_by_text("Harvest tray 1, or a part of it").click()
    phone.get_by_label("Weight").fill("3,6")
    phone.get_by_role("button", name="Write it down").click()
    expect(phone.get_by_role("status")).to_contain_text("Tray 1 harvested, 3.6 kg.")
    phone.get_by_role("button", name="Washed: put to rest").click()
    expect(phone.get_by_role("status")).to_contain_text("Tray 1: washed and at rest.")
    phone.get_by_role("button", name="Start tray 1").click()
    expect(phone.get_by_role("status")).to_contain_text("Tray 1 started.")
    phone.get_by_text("It stands elsewhere").click()
    phone.get_by_label("Where it stands now").select_option(label="Rack by the door, Bottom shelf")
    phone.get_by_role("button", name="Move tray 1").click()
    expect(phone.get_by_role("status")).to_contain_text("now Rack by the door, Bottom shelf")
    phone.get_by_role("button", name="Undo").click()
    expect(phone.get_by_role("status")).to_contain_text("Undone")
    tray = house.get("/api/trays/1")
    assert (tray["state"], tray["shelf"]) == ("growing", "Top shelf")
    assert tray["run"]["seed"] == [{"lot_id": 1, "weight_g": 500.0}]
    phone.context.close()


def test_yesterdays_soaked_seed_is_spread_in_several_trays_ticked_and_typed(
    phone: Page, house: House
) -> None:
    for number in (1, 2):
        said(harvest(house, number))
    phone.goto("/room")
    phone.get_by_role("link", name="Trays were spread").click()
    phone.get_by_label("Trays", exact=False).first.fill("14")
    phone.get_by_text("Or tick them").click()
    phone.get_by_role("checkbox", name="1", exact=True).check()
    phone.get_by_role("checkbox", name="2", exact=True).check()
    phone.get_by_label("Spread", exact=True).fill("2026-03-06T09:00")
    phone.get_by_role("button", name="Start").click()
    expect(phone.get_by_role("alert")).to_contain_text("must not be earlier than the harvest")
    expect(phone.get_by_role("checkbox", name="2", exact=True)).to_be_checked()
    expect(phone.get_by_label("Spread", exact=True)).to_have_value("2026-03-06T09:00")
    expect(phone.get_by_label("Spread", exact=True)).to_have_attribute("aria-invalid", "true")
    assert_accessible(phone)
    phone.get_by_label("Spread", exact=True).fill("2026-03-07T18:00")
    phone.get_by_role("button", name="Start").click()
    expect(phone.get_by_role("status")).to_contain_text("Trays 14, 1 and 2 started.")
    phone.get_by_role("button", name="Undo").click()
    expect(phone.get_by_role("status")).to_contain_text("Undone")
    expect(phone.get_by_role("heading", level=1)).to_contain_text("4 trays grow.")


def test_one_tap_in_the_room_starts_a_washed_tray_and_two_one_to_wash(
    phone: Page, house: House
) -> None:
    said(harvest(house, 1))
    said(harvest(house, 2))
    house.post("/api/trays/2/states", state="resting")
    phone.goto("/room")
    expect(phone.get_by_text("Spread now as last time: 0.5 kg of Barley")).to_be_visible()
    expect(phone.get_by_role("heading", name="To wash")).to_be_visible()
    phone.get_by_text("Not written as washed: 1").click()
    phone.get_by_role("button", name="Start 1").click()
    expect(phone.get_by_role("status")).to_contain_text("Tray 1 started.")
    phone.get_by_role("button", name="Start 2").click()
    expect(phone.get_by_role("status")).to_contain_text("Tray 2 started.")
    expect(phone.get_by_role("heading", level=1)).to_contain_text("6 trays grow.")


@pytest.mark.parametrize("one_tap", [True, False], ids=["room", "form"])
def test_a_tray_thrown_for_mould_asks_once_whether_it_was_washed(
    phone: Page, house: House, one_tap: bool
) -> None:
    said(harvest(house, MOULDY_TRAY, reason="thrown"))
    assert house.get(f"/api/trays/{MOULDY_TRAY}")["to_wash"]
    phone.goto("/room" if one_tap else f"/trays/{MOULDY_TRAY}")
    if one_tap:
        phone.get_by_text("Not written as washed: 3").click()
    phone.get_by_role("button", name=re.compile(r"Start( tray)? 3")).click()
    expect(phone.get_by_role("alert")).to_contain_text(
        "Tray 3 was taken out with possible mould, and nobody wrote that it was washed since. "
        "Start it all the same? Nothing is started yet."
    )
    assert_accessible(phone)
    assert house.get(f"/api/trays/{MOULDY_TRAY}")["run"] is None
    phone.get_by_role("button", name="Start all the same").click()
    expect(phone.get_by_role("status")).to_contain_text("Tray 3 started.")
    seed = house.get(f"/api/trays/{MOULDY_TRAY}")["run"]["seed"]
    assert [one["weight_g"] for one in seed] == [500.0]


def test_a_tray_written_as_washed_starts_without_a_question(house: House) -> None:
    said(harvest(house, MOULDY_TRAY, reason="thrown"))
    house.post(f"/api/trays/{MOULDY_TRAY}/states", state="empty")
    said(house.client.post("/room/start", data={"trays": "3", "as_last_time": "yes"}))


def test_a_wrong_weight_is_corrected_next_day_and_the_first_entry_is_still_there(
    phone: Page, house: House
) -> None:
    said(harvest(house, 1, weight="36"))
    house.watch.now = EVENING + timedelta(days=1)
    phone.goto("/runs/1")
    harvested = phone.get_by_role("listitem").filter(has_text="Harvested yesterday 18:00")
    harvested.get_by_role("link", name="Correct it or withdraw it").first.click()
    phone.get_by_label("Weight").fill("3,6")
    phone.get_by_label("Why it is corrected").fill("a comma was missing")
    phone.get_by_role("button", name="Correct it").click()
    expect(phone.get_by_role("status")).to_contain_text("Corrected.")
    expect(phone.get_by_role("heading", level=1)).to_contain_text("harvested yesterday 18:00, 3.6")
    entries = phone.get_by_text("Harvested yesterday 18:00, the whole tray, 36 kg.")
    expect(entries).to_be_visible()
    expect(phone.get_by_text("because: a comma was missing")).to_be_visible()
    assert_accessible(phone)
    phone.get_by_role("button", name="Undo").click()
    expect(phone.get_by_role("heading", level=1)).to_contain_text("36 kg")
    history = house.get("/api/harvests/1/history")["entries"]
    assert [entry["values"]["weight_g"] for entry in history] == [36000.0, 3600.0, 36000.0]


def test_a_run_is_back_dated_withdrawn_and_undone(house: House) -> None:
    before = house.get("/api/runs/2")
    form = {
        "entry_id": str(before["entry_id"]),
        "tray": "2",
        "spread_at": "2026-03-01T09:00",
        "soaked_at": "2026-02-28T21:00",
        "lot_1": "1",
        "weight_1": "0.5",
        "why": "the calendar says so",
    }
    done, undo = said(house.client.post("/entries/runs/2", data=form))
    assert done.startswith("Corrected.")
    run = house.get("/api/runs/2")
    assert (run["spread_at"], run["soaked_at"]) == ("2026-03-01T08:00:00Z", "2026-02-28T20:00:00Z")
    assert (run["seed"], run["why"]) == (before["seed"], "the calendar says so")
    shown = words(house.client.get("/runs/2"))
    assert "spread Sunday 1 March 09:00" in shown
    assert "spread Monday 2 March 09:00" in shown
    house.client.post("/undo", data={"entry": undo})
    assert house.get("/api/runs/2")["spread_at"] == before["spread_at"]
    done, undo = said(house.client.post("/entries/runs/2/withdraw", data={"why": "a mix-up"}))
    assert done.startswith("Withdrawn.")
    gone = words(house.client.get("/runs/2"))
    assert "A run of tray 2 that was withdrawn" in gone
    assert "because: a mix-up" in gone
    house.client.post("/undo", data={"entry": undo})
    assert house.get("/api/runs/2")["seed"] == before["seed"]


def test_places_and_states_are_corrected_and_withdrawn(house: House) -> None:
    said(house.client.post("/room/move", data={"trays": "1", "place": "shelf:2"}))
    placement = house.get("/api/trays/1/placements")[0]
    form = {"place": "shelf:1", "placed_at": "2026-03-07T07:30"}
    said(house.client.post(f"/entries/placements/{placement['id']}", data=form))
    corrected = house.get("/api/trays/1/placements")[0]
    assert (corrected["shelf_id"], corrected["placed_at"]) == (1, "2026-03-07T06:30:00Z")
    said(harvest(house, 1))
    said(house.client.post("/room/states", data={"trays": "1", "state": "resting"}))
    said(house.client.post("/entries/tray-states/1", data={"state": "retired"}))
    assert house.get("/api/trays/1")["state"] == "retired"
    said(house.client.post("/entries/tray-states/1/withdraw"))
    assert house.get("/api/trays/1")["state"] == "empty"
    shown = words(house.client.get("/runs/1"))
    assert "Washed and at rest from today 18:00." in shown
    assert "Bottom shelf from today 18:00." in shown


@pytest.mark.parametrize(
    ("path", "form", "rule", "status"),
    [
        (
            "/entries/runs/1",
            {"spread_at": "2026-03-02T06:00", "soaked_at": "2026-03-02T07:00"},
            "Soaked from must not be later than the spreading, got Monday 2 March 07:00",
            422,
        ),
        ("/entries/runs/1", {"spread_at": ""}, "Spread must have a value", 422),
        ("/entries/runs/1", {"tray": "99"}, "Tray must be numbers of kits, 0 to 95, got 99", 422),
        ("/entries/runs/1", {"lot_2": "5"}, "Seed lot 5 is not in the log", 404),
        ("/entries/runs/1", {"weight_1": "3,x"}, "must be a number, got '3,x'", 422),
        ("/entries/runs/1", {"tray": "1"}, "must differ from what holds now", 422),
        ("/entries/runs/1", {"tray": "2"}, "spread Monday 2 March 09:00; correct that run", 409),
        ("/entries/runs/1", {"entry_id": "99", "note": "x"}, "somebody else meanwhile", 409),
        ("/entries/placements/1", {"place": "shelf:77"}, "shelf:77 is not in the log", 404),
        ("/entries/placements/1", {"placed_at": "1066-10-14T09:00"}, "From must lie in", 422),
    ],
)
def test_a_correction_that_breaks_a_rule_keeps_what_was_typed(
    shown_house: House, path: str, form: dict[str, str], rule: str, status: int
) -> None:
    before = shown_house.get("/api/runs/1/history")
    if "/runs/" in path:
        form = {"soaked_at": "2026-03-01T21:00", "lot_1": "1", "weight_1": "0.5", **form}
    answer = shown_house.client.post(path, data={**form, "why": "so I was told"})
    assert answer.status_code == status
    assert rule in words(answer)
    assert 'value="so I was told"' in answer.text
    assert shown_house.get("/api/runs/1/history") == before


def test_whoever_may_only_read_sees_the_room_and_no_forms(phone: Page, house: House) -> None:
    house.post("/api/people", name="Mara", role="owner", password="a long one to keep")
    login = {"name": "Mara", "password": "a long one to keep"}
    house.client.headers["origin"] = house.address
    assert house.client.post("/api/login", json=login).status_code == 200
    house.post("/api/people", name="Visitor", role="read-only", password="another long one")
    phone.goto("/room")
    phone.get_by_label("Name").fill("Visitor")
    phone.get_by_label("Password").fill("another long one")
    phone.get_by_role("button", name="Log in").click()
    for path in ("/room", "/runs/1", "/trays/1"):
        phone.goto(path)
        expect(phone.get_by_role("heading", level=1)).to_be_visible()
        expect(phone.locator("main form, main button")).to_have_count(0)
    expect(phone.get_by_text("Write down")).to_have_count(0)
    for path in ("/room/start", "/entries/runs/1", "/runs/1/harvest"):
        phone.goto(path)
        expect(phone.get_by_role("heading", level=1)).to_have_text("Not allowed")


def test_an_empty_room_says_how_to_begin(browser: Browser, empty_house: House) -> None:
    page = open_page(browser, empty_house, PHONE, scripts=True)
    page.goto("/room")
    expect(page.get_by_role("heading", level=1)).to_have_text("Nothing grows.")
    assert_accessible(page)
    page.get_by_role("link", name="A tray was spread").click()
    page.get_by_label("Trays", exact=False).first.fill("17")
    page.get_by_role("button", name="Start").click()
    expect(page.get_by_role("status")).to_contain_text("Tray 17 started.")
    page.goto("/room")
    expect(page.get_by_role("heading", level=1)).to_have_text("One tray grows. None is due today.")
    expect(page.get_by_role("heading", name="On no shelf")).to_be_visible()
    page.context.close()


def test_the_room_asks_the_log_no_more_often_for_many_trays_than_for_few(house: House) -> None:
    asked: list[str] = []

    def note(_connection: object, _cursor: object, statement: str, *_more: object) -> None:
        # Requests are answered by these threads; what works in the background has its own.
        if threading.current_thread().name.startswith("AnyIO worker"):
            asked.append(statement)

    def counted() -> int:
        house.client.get("/room")
        asked.clear()
        assert house.client.get("/room").status_code == 200
        return len(asked)

    sa.event.listen(house.service.database.engine, "before_cursor_execute", note)
    few = counted()
    assert few > 0
    house.client.timeout = 60.0
    form = {"trays": "20-31", "lot_1": "1", "weight_1": "0.5", "place": "shelf:1"}
    said(house.client.post("/room/start", data=form))
    # Fewer they may be: what is worked out in the background need not be asked for any more.
    assert counted() <= few


@pytest.mark.parametrize(
    ("names", "said"),
    [
        ((), ""),
        (("3",), "place 3"),
        (("1", "2", "3", "4", "5", "6", "9"), "places 1–6, 9"),
        (("by the door", "left"), "places by the door, left"),
        (tuple(f"A{number}" for number in range(12)), "12 places"),
    ],
)
def test_free_places_are_said_in_few_words(names: tuple[str, ...], said: str) -> None:
    assert free_words(names) == said


def test_growth_is_told_since_when_and_not_yet_of_two_days(
    house: House,
) -> None:
    spread_at = EVENING - timedelta(days=2, hours=9)
    house.post("/api/runs", tray=9, spread_at=spread_at.isoformat())
    for day in (1.2, 2.2):
        house.photograph(9, spread_at + timedelta(days=day), cover=0.02, height_mm=15.0)
    assert "hardly taller" not in house.client.get("/room").text
    house.watch.now = spread_at + timedelta(days=3.5)
    house.photograph(9, spread_at + timedelta(days=3.4), cover=0.02, height_mm=15.0)
    assert "hardly taller since yesterday" in house.client.get("/room").text
    house.watch.now = spread_at + timedelta(days=4.4)
    house.photograph(9, spread_at + timedelta(days=4), cover=0.2, height_mm=30.0)
    house.photograph(9, spread_at + timedelta(days=4.3), cover=0.2, height_mm=45.0)
    assert "1.5 cm more since today 09:00" in house.client.get("/room").text
