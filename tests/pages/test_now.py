"""The first page: where one must go, see it, compare, answer it, undo it; the day's round."""

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from tests.pages.conftest import DESK, PHONE, assert_accessible, open_page
from tests.pages.house import House
from tests.service.recorded_inspections import picture_saying

HEADING = "Two trays to look at (3 and 6)"


def mould_flag(house: House) -> int:
    (flag,) = [one for one in house.get("/api/flags")["flags"] if one["kind"] == "possible mould"]
    return int(flag["id"])


def section(page: Page, heading: str) -> Locator:
    """The part of a page under a heading."""
    return page.locator("section").filter(has=page.get_by_role("heading", name=heading))


def first_line(house: House) -> str:
    text = house.client.get("/", headers={"accept": "text/html"}).text
    return text.partition("<h1>")[2].partition("</h1>")[0]


@pytest.fixture
def new_phone(browser: Browser, empty_house: House) -> Iterator[Page]:
    page = open_page(browser, empty_house, PHONE, scripts=True)
    yield page
    page.context.close()


def test_early_mould_warning_is_seen_compared_answered_and_undone(
    phone: Page, house: House
) -> None:
    phone.goto("/")
    expect(phone.get_by_role("heading", level=1)).to_have_text(HEADING)
    look = phone.get_by_role("article", name="Tray 3: possible mould")
    expect(look.get_by_text("Hold: do not feed")).to_be_visible()
    before, now = look.get_by_role("img").all()
    expect(before).to_have_attribute("alt", "Tray 3 from above, the same place")
    expect(now).to_have_attribute(
        "alt", re.compile("Tray 3 from above, ringed: .* from the middle")
    )
    # As `furnish` has the patch grow: 8 mm on day 4, 12 mm on day 5.
    captions = look.get_by_role("figure")
    expect(captions.first).to_have_text("Last time, yesterday 17:03: 8 mm across")
    expect(captions.last).to_have_text("The spot, today 17:03: 12 mm across")
    for picture in (before, now):
        picture.scroll_into_view_if_needed()
        assert picture.evaluate("one => one.decode().then(() => one.naturalWidth)") == 640
    expect(look).to_contain_text("white fuzz towards bar A")
    expect(look).to_contain_text("Very likely, 9 in 10. It could also be husks.")
    expect(look).to_contain_text("Check trays 4, 5 and 6 below on the same water path.")
    expect(look).to_contain_text("Seed lot: Barley, first bag.")
    look.get_by_role("button", name="It is mould: hold it").click()
    # What to take care of stands there at once.
    expect(phone).to_have_url(f"{house.address}/flags/{mould_flag_id(phone)}")
    expect(phone.get_by_role("heading", level=1)).to_have_text("Tray 3: possible mould, on hold")
    expect(phone.get_by_role("note").first).to_contain_text("call a vet at once")
    expect(phone.get_by_role("note").nth(1)).to_contain_text("Do not stir or shake dry mould")
    expect(phone.get_by_text("Check its neighbours")).to_be_visible()
    assert [hold["tray"] for hold in house.get("/api/today")["holds"] if hold["confirmed"]] == [3]
    phone.get_by_role("button", name="Undo").click()
    expect(phone.get_by_role("status")).to_contain_text("Undone")
    assert not any(hold["confirmed"] for hold in house.get("/api/today")["holds"])
    expect(phone.get_by_text("Undone today 18:00.")).to_be_visible()
    phone.goto("/")
    expect(phone.get_by_role("heading", level=1)).to_have_text(HEADING)
    phone.get_by_role("button", name="Looked: fine").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("One tray to look at (6)")
    (count,) = house.get("/api/verdicts")["kinds"]
    assert (count["right"], count["was"]) == (0, {"fine": 1})


def mould_flag_id(page: Page) -> int:
    page.wait_for_url("**/flags/*")
    return int(page.url.rpartition("/")[2])


def test_something_else_is_answered_without_scripts(plain_phone: Page, house: House) -> None:
    plain_phone.goto("/")
    look = plain_phone.get_by_role("article", name="Tray 3: possible mould")
    expect(look.get_by_role("button", name="Root hairs")).to_be_hidden()
    look.get_by_text("It was something else…").click()
    look.get_by_role("button", name="Root hairs").click()
    expect(plain_phone.get_by_role("status")).to_contain_text("Tray 3: it was root hairs.")
    assert house.get("/api/verdicts")["kinds"][0]["was"] == {"root hairs": 1}
    plain_phone.get_by_role("button", name="Undo").click()
    expect(plain_phone.get_by_role("heading", level=1)).to_have_text(HEADING)
    assert house.get("/api/verdicts")["kinds"] == []


def test_snoozed_look_comes_back_in_the_morning(phone: Page, house: House) -> None:
    phone.goto("/")
    look = phone.get_by_role("article", name="Tray 6: behind its siblings")
    look.get_by_text("Not now…").click()
    look.get_by_role("button", name="Until tomorrow morning (tomorrow 06:00)").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("One tray to look at (3)")
    phone.get_by_role("link", name="What was put off").click()
    expect(phone.get_by_role("main")).to_contain_text("until tomorrow 06:00")
    house.watch.forward(hours=13)
    phone.goto("/")
    expect(phone.get_by_role("heading", level=1)).to_contain_text("look at (3 and 6)")


def test_look_that_is_no_mould_is_done_or_not_so(house: House) -> None:
    (behind,) = [one for one in house.get("/api/flags")["flags"] if one["kind"] != "possible mould"]
    path = f"/flags/{behind['id']}/answer"
    assert house.client.post(path, data={"answer": "fine"}).status_code == 303
    assert house.get("/api/verdicts")["kinds"][0]["was"] == {"fine": 1}
    assert house.client.post(path, data={"answer": "done"}).status_code == 303
    assert house.get(f"/api/flags/{behind['id']}")["state"] == "done"


def test_confirmed_tray_stands_on_hold_until_somebody_ends_it(phone: Page, house: House) -> None:
    house.client.post(f"/flags/{mould_flag(house)}/answer", data={"answer": "right"})
    tray = house.client.get("/trays/3").text
    assert "hold, do not feed (somebody looked: it is mould)" in tray
    assert "call a vet at once" in tray
    house.watch.forward(days=3)
    phone.goto("/")
    held = section(phone, "On hold")
    expect(held).to_contain_text("Hold: do not feed")
    due = section(phone, "Harvests due today").get_by_role("listitem")
    own = due.filter(has=phone.get_by_role("link", name="Tray 3", exact=True))
    expect(own).to_contain_text("Hold: do not feed")
    expect(due.filter(has_text="Tray 1")).not_to_contain_text("Hold")
    assert_accessible(phone)
    held.get_by_text("Looked again: end the hold of tray 3…").click()
    held.get_by_role("button", name="Husks or bare seed").click()
    expect(phone.get_by_role("status")).to_contain_text("Tray 3: it was husks or bare seed.")
    expect(section(phone, "On hold")).to_have_count(0)
    assert house.get("/api/today")["holds"] == []
    # The undo brings the hold back.
    phone.get_by_role("button", name="Undo").click()
    expect(section(phone, "On hold")).to_be_visible()


def test_new_room_says_the_first_three_steps(new_phone: Page, empty_house: House) -> None:
    new_phone.goto("/")
    heading = new_phone.get_by_role("heading", level=1)
    expect(heading).to_have_text("This room is new: three steps to the first look")
    steps = new_phone.get_by_role("listitem").filter(has=new_phone.locator("strong"))
    expect(steps).to_have_count(3)
    links = [step.get_by_role("link").get_attribute("href") for step in steps.all()]
    assert links == ["/set-up", "/print", "/snap"]
    assert_accessible(new_phone)
    empty_house.post("/api/trays", number=4)
    assert first_line(empty_house) == "Nothing asks for a look; no tray grows here now"


def test_trays_without_a_photo_are_listed_with_since_when(phone: Page, house: House) -> None:
    house.watch.forward(hours=25)
    phone.goto("/")
    due = section(phone, "Photos due").get_by_role("listitem")
    expect(due).to_have_count(6)
    expect(due.first).to_contain_text("no photo since yesterday 17:0")


def test_quiet_room_says_what_is_left_to_do(house: House) -> None:
    for flag in house.get("/api/flags")["flags"]:
        house.post(f"/api/flags/{flag['id']}/done")
    assert first_line(house) == "Nothing asks for a look"
    house.watch.forward(hours=25)
    assert first_line(house) == (
        "Nothing asks for a look; six trays have no fresh photo since yesterday 17:01"
    )


def test_first_line_names_holds_harvests_and_photos_beside_the_looks(house: House) -> None:
    house.post(f"/api/flags/{mould_flag(house)}/verdict", verdict="right")
    assert first_line(house) == "One tray to look at (6); one tray stands on hold"
    house.watch.forward(hours=50)
    line, today = first_line(house), house.get("/api/today")
    assert "; one tray stands on hold" in line
    words = {1: "One", 2: "Two", 3: "Three", 4: "Four", 5: "Five", 6: "Six"}
    late = words[len(today["photos_due"])].lower()
    assert f"{late} trays to photograph" in line or f"{late} trays have no fresh photo" in line
    due = sum(one["due"] and not one["hold"] for one in today["harvests"])
    assert f"{words[due].lower()} trays are due for harvest" in line


def test_photo_without_a_tray_is_listed_with_its_reason(phone: Page, house: House) -> None:
    sent = house.client.post(
        "/api/photos", files=[("photo", ("blurred.jpg", picture_saying("no"), "image/jpeg"))]
    )
    photo = sent.json()["photos"][0]["id"]
    phone.goto("/")
    listed = section(phone, "Photos that could not be read")
    expect(listed).to_contain_text("No tag of the reference kit could be read.")
    link = listed.get_by_role("link", name="blurred.jpg")
    assert link.get_attribute("href") == f"/photos/{photo}"


def test_heat_has_no_picture_but_its_reading(phone: Page, house: House) -> None:
    house.post("/api/readings", temperature_c=29.0, humidity_percent=70.0)
    phone.goto("/")
    heading = phone.get_by_role("heading", level=1)
    expect(heading).to_have_text("Two trays to look at (3 and 6) and the air to see to")
    air = phone.get_by_role("article", name="The air")
    expect(air).to_contain_text("29.0 °C, 70 % humid")
    expect(air.get_by_role("img")).to_have_count(0)
    expect(air.get_by_role("link", name=re.compile("hotograph"))).to_have_count(0)
    look = phone.get_by_role("article", name="Tray 6: behind its siblings")
    expect(look.get_by_role("link", name="Photograph it again")).to_be_visible()
    expect(look.get_by_text("Last time, yesterday")).to_be_visible()
    expect(air.get_by_role("button", name="Done: seen to")).to_be_visible()


def test_a_broken_rule_of_the_air_stands_at_its_field_and_leads_there(
    plain_phone: Page, house: House
) -> None:
    plain_phone.goto(f"{house.address}/")
    plain_phone.get_by_text("Write the air down").click()
    field = plain_phone.get_by_role("group", name="Bottom shelf").get_by_label("Now, °C")
    field.fill("abc")
    plain_phone.get_by_role("button", name="Write it down").click()
    alert = plain_phone.get_by_role("alert")
    expect(alert).to_contain_text("Bottom shelf, Now must be a number, got 'abc'")
    expect(field).to_have_attribute("aria-invalid", "true")
    expect(field).to_have_accessible_description("must be a number, got 'abc'")
    alert.get_by_role("link", name="Bottom shelf, Now").click()
    expect(field).to_be_in_viewport()


def test_no_two_answers_of_a_look_share_a_key(house: House) -> None:
    looks = re.findall(r"<article.*?</article>", house.client.get("/").text, re.DOTALL)
    keys = [re.findall(r'data-key="(\d+)"', look) for look in looks]
    assert max(map(len, keys)) >= 9
    assert all(len(set(own)) == len(own) for own in keys)


def test_air_is_read_at_the_top_and_at_the_bottom(plain_phone: Page, house: House) -> None:
    house.client.patch("/api/room", json={"temperature_unit": "°F"})
    plain_phone.goto("/")
    plain_phone.get_by_text("Write the air down").click()
    top = plain_phone.get_by_role("group", name="Top shelf")
    bottom = plain_phone.get_by_role("group", name="Bottom shelf")
    top.get_by_label("Lowest, °F").fill("59")
    top.get_by_label("Highest, °F").fill("77")
    bottom.get_by_label("Now, °F").fill("300")
    plain_phone.get_by_role("button", name="Write it down").click()
    alert = plain_phone.get_by_role("alert")
    # 90 °C, the most that the log takes, is 194 °F.
    expect(alert).to_contain_text("Bottom shelf, Now must be 194 °F or less, got 300")
    expect(top.get_by_label("Highest, °F")).to_have_value("77")
    assert len(house.get("/api/readings")) == 1
    bottom.get_by_label("Now, °F").fill("68")
    bottom.get_by_label("Humidity").fill("71,5")
    plain_phone.get_by_role("button", name="Write it down").click()
    expect(plain_phone.get_by_role("status")).to_contain_text("The air is written down.")
    air = section(plain_phone, "Air")
    expect(air).to_contain_text("lowest 59.0 °F, highest 77.0 °F")
    found = {one["shelf_id"]: one for one in house.get("/api/readings")}
    assert (found[1]["temperature_low_c"], found[1]["temperature_high_c"]) == (15.0, 25.0)
    assert (found[2]["temperature_c"], found[2]["humidity_percent"]) == (20.0, 71.5)
    plain_phone.get_by_role("button", name="Undo").click()
    expect(plain_phone.get_by_role("status")).to_contain_text("Undone")
    assert len(house.get("/api/readings")) == 1


def test_chore_is_added_ticked_off_and_undone(phone: Page, house: House) -> None:
    phone.goto("/")
    chores = section(phone, "Chores")
    expect(chores).to_contain_text("None left for today.")
    chores.get_by_label("Something to do").fill("Clean the drain")
    chores.get_by_role("button", name="Add it").click()
    expect(chores).to_contain_text("Clean the drain, planned for today 18:00")
    chores.get_by_role("button", name="Done").click()
    expect(chores).to_contain_text("None left for today.")
    (chore,) = house.get("/api/chores")
    assert chore["done_at"] == house.watch.now.isoformat().replace("+00:00", "Z")
    phone.get_by_role("button", name="Undo").click()
    chores.get_by_role("link", name="Done earlier").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("Done: Clean the drain")
    assert_accessible(phone)
    phone.get_by_label("Done at").fill("2026-03-07T09:30")
    phone.get_by_label("Kind").select_option("Cleaning")
    expect(phone.get_by_role("note")).to_contain_text("Never mix bleach with vinegar")
    expect(phone.get_by_label("Which animals")).to_be_hidden()
    phone.get_by_label("With what").fill("household bleach")
    phone.get_by_label("Left on for").fill("10")
    phone.get_by_label("Rinsed").select_option("Yes")
    phone.get_by_role("button", name="Write it down").click()
    chores.get_by_text("Done today: 1").click()
    expect(chores).to_contain_text("with: household bleach; contact time: 10 minutes; rinsed: yes")
    assert_accessible(phone)
    expect(chores).to_contain_text("None left for today.")
    (chore,) = house.get("/api/chores")
    assert chore["done_at"] == "2026-03-07T08:30:00Z"
    later = house.client.post(f"/chores/{chore['id']}/done", data={"done_at": "2026-03-08T08:00"})
    assert later.status_code == 422
    assert "must not be still to come" in later.text


def test_feeding_is_written_down_with_whom_and_how_much_without_scripts(
    plain_phone: Page, house: House
) -> None:
    house.client.patch("/api/room", json={"weight_unit": "lb"})
    plain_phone.goto("/")
    chores = section(plain_phone, "Chores")
    chores.get_by_label("Something to do").fill("Goats, morning")
    chores.get_by_text("Feeding, cleaning, soaking").click()
    chores.get_by_label("Kind").select_option("Feeding")
    chores.get_by_label("Which animals").fill("10 goats")
    chores.get_by_label("Weight fed").fill("heavy")
    chores.get_by_label("done already").check()
    chores.get_by_role("button", name="Add it").click()
    expect(plain_phone.get_by_role("alert")).to_contain_text("Weight fed must be a number")
    assert house.get("/api/chores") == []
    expect(chores.get_by_label("Which animals")).to_have_value("10 goats")
    chores.get_by_label("Weight fed").fill("26,5")
    chores.get_by_label("Left over").fill("0")
    chores.get_by_role("button", name="Add it").click()
    expect(plain_phone.get_by_role("status")).to_contain_text("Done: Goats, morning.")
    (chore,) = house.get("/api/chores")
    assert (chore["kind"], chore["planned_for"]) == ("feed", None)
    # 26.5 lb of 453.59237 g.
    assert chore["details"] == {"animals": "10 goats", "weight_g": 12020.2, "refusals_g": 0.0}
    report = house.client.get("/print/report?from=2026-03-01&to=2026-03-31").text
    assert "to: 10 goats; weight: 26.5 lb; left over: 0 lb" in report


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({"kind": "dance"}, "must be one of other, feed, clean, soak, water"),
        ({"kind": "clean", "animals": "hens"}, "it says cleaning, but fields of feeding hold"),
        ({"kind": "clean", "minutes": "-3"}, "must be more than 0 and at most 10080"),
        (
            {"kind": "feed", "fed": "30", "refusals": "45"},
            "Left over</strong></a> must be no more than the 30 kg fed, got 45 kg: is the decimal",
        ),
        ({"kind": "soak", "lot": "99"}, "99 is not in the log"),
        ({"done": "yes", "planned_for": "2026-03-08T09:00"}, "must not be still to come"),
    ],
)
def test_what_cannot_be_of_a_chore_is_told(house: House, form: dict[str, str], words: str) -> None:
    answer = house.client.post("/chores", data={"form": "chore", "title": "Something", **form})
    assert answer.status_code in (404, 422)
    assert words in answer.text
    assert house.get("/api/chores") == []


def test_what_is_known_of_a_chore_is_kept_when_it_is_done(house: House) -> None:
    (lot,) = house.get("/api/lots")
    soak = {"kind": "soak", "title": "For Monday", "planned_for": "2026-03-08T18:00"}
    soak |= {"form": "chore", "lot": str(lot["id"]), "soaked": "3,5"}
    assert house.client.post("/chores", data=soak).status_code == 303
    now = house.client.get("/").text
    assert "Later: 1 chore planned" in now
    assert "tomorrow 18:00" in now
    assert "soaking, lot: Barley, first bag; weight: 3.5 kg" in now
    # Kinds and details that the form has no field for stay as they are.
    body = {"kind": "sanitise", "title": "Trays", "details": {"what": "peroxide"}}
    chore = house.post("/api/chores", **body, planned_for="2026-03-07T08:00")
    done = {"details_shown": "1", "done_at": "2026-03-07T09:00", "kind": "sanitise", "shelf": "2"}
    assert house.client.post(f"/chores/{chore['id']}/done", data=done).status_code == 303
    kept = house.get(f"/api/chores/{chore['id']}")
    assert (kept["kind"], kept["details"], kept["shelf_id"]) == (
        "sanitise",
        {"what": "peroxide"},
        2,
    )


@pytest.mark.parametrize(
    ("path", "form", "words"),
    [
        ("/readings", {}, "or another field must have a number: nothing was typed"),
        ("/readings", {"shelf 1 humidity": "wet"}, "must be a number, got &#39;wet&#39;"),
        (
            "/readings",
            {"shelf 1 humidity": "140"},
            "Top shelf, Humidity</strong></a> must be 100 or less, got 140",
        ),
        (
            "/readings",
            {"shelf 1 lowest": "25", "shelf 1 highest": "20"},
            "Top shelf, Lowest</strong></a> must not exceed the highest, got 25 and 20 °C",
        ),
        ("/chores", {}, "title"),
        ("/chores/99/done", {}, "99 is not in the log"),
        ("/flags/2/answer", {"answer": "safe"}, "must be one of done, tomorrow morning"),
        ("/flags/99/answer", {"answer": "done"}, "99 is not in the log"),
        ("/flags/99", None, "99 is not in the log"),
    ],
)
def test_what_breaks_a_rule_is_told_and_changes_nothing(
    house: House, path: str, form: dict[str, str] | None, words: str
) -> None:
    headers = {"accept": "text/html"}
    if form is None:
        answer = house.client.get(path, headers=headers)
    else:
        answer = house.client.post(path, data=form, headers=headers)
    assert answer.status_code in (404, 422)
    assert words in answer.text
    assert len(house.get("/api/readings")) == 1
    assert len(house.get("/api/flags")["flags"]) == 2


def test_who_may_only_read_sees_no_form(browser: Browser, house: House) -> None:
    flag = mould_flag(house)
    house.post("/api/people", name="Mara", role="owner", password="a long one to keep")
    house.client.headers["origin"] = house.address
    house.post("/api/login", name="Mara", password="a long one to keep")
    house.post("/api/people", name="Ines", role="read-only", password="another one to keep")
    page = open_page(browser, house, DESK, scripts=True)
    page.goto("/login")
    page.get_by_label("Name").fill("Ines")
    page.get_by_label("Password").fill("another one to keep")
    page.get_by_role("button", name="Log in").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(HEADING)
    for path in ("/", f"/flags/{flag}", "/flags"):
        page.goto(path)
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        expect(page.locator("form")).to_have_count(0)
    refused = page.request.post(f"{house.address}/flags/{flag}/answer", form={"answer": "fine"})
    assert refused.status == 403
    page.context.close()


def test_number_key_answers_the_look_that_has_the_focus_and_no_other(
    desk: Page, house: House
) -> None:
    desk.goto("/")
    look = desk.get_by_role("article", name="Tray 6: behind its siblings")
    expect(look.locator("kbd").first).to_have_text("1")
    desk.keyboard.press("1")
    expect(desk.get_by_role("heading", level=1)).to_have_text(HEADING)
    look.focus()
    desk.keyboard.press("1")
    expect(desk.get_by_role("status")).to_contain_text("Tray 6: behind its siblings: done.")
    flags = house.get("/api/flags")["flags"]
    assert [flag["tray"] for flag in flags] == [3]


def test_page_follows_the_room_but_not_under_somebodys_hands(desk: Page, house: House) -> None:
    desk.clock.install()
    desk.goto("/")
    heading = desk.get_by_role("heading", level=1)
    expect(heading).to_have_text(HEADING)
    desk.get_by_label("Something to do").fill("Clean")
    house.client.post(f"/flags/{mould_flag(house)}/answer", data={"answer": "fine"})
    desk.clock.run_for(61_000)
    expect(desk.get_by_label("Something to do")).to_have_value("Clean")
    # It is said to whoever has the page read aloud, which takes the focus along.
    expect(desk.locator(".top [aria-live]")).to_have_text("One tray to look at (6)")
    expect(heading).to_have_text(HEADING)
    desk.get_by_label("Something to do").fill("")
    desk.evaluate("document.activeElement.blur()")
    desk.clock.run_for(61_000)
    expect(heading).to_have_text("One tray to look at (6)")
    expect(desk.get_by_role("article").locator("kbd").first).to_have_text("1")
    # While nothing new is said, the page stays, and with it the place of who reads it aloud.
    main = desk.locator("main").element_handle()
    house.watch.forward(minutes=2)
    desk.clock.run_for(61_000)
    expect(desk.locator(".clock")).to_contain_text("18:02")
    expect(desk.get_by_label("When")).to_have_value("2026-03-07T18:02")
    assert main.evaluate("one => one.isConnected")
