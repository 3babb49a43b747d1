"""A tray's page: its first line, photos with and without scripts, growth, patches, history."""

import re
from datetime import timedelta
from io import BytesIO

import pytest
from PIL import Image
from playwright.sync_api import Browser, Locator, Page, expect

from service.accounts.people import PEOPLE
from service.accounts.roles import Role
from service.accounts.session_cookie import SESSION_COOKIE
from service.accounts.sessions import begin_session
from service.models.accounts import NewPerson
from tests.pages.conftest import DESK, PHONE, assert_accessible, open_page
from tests.pages.house import EVENING, MOULDY_TRAY, House
from tests.service.recorded_inspections import patch, picture_saying

EVERY_DETAIL = "document.querySelectorAll('details').forEach((one) => { one.open = true; })"


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_page_is_accessible_with_everything_open(
    browser: Browser, shown_house: House, size: dict[str, int]
) -> None:
    page = open_page(browser, shown_house, size, scripts=True)
    page.goto(f"/trays/{MOULDY_TRAY}")
    page.evaluate(EVERY_DETAIL)
    expect(page.get_by_role("heading", level=1)).to_contain_text("possible mould")
    expect(page.get_by_role("slider")).to_be_visible()
    assert_accessible(page)
    page.context.close()


def test_first_line_answers(shown_house: House) -> None:
    quiet = shown_house.client.get("/trays/1").text
    assert "<h1>Tray 1, Top shelf, day 5: growing, nothing stands out, " in quiet
    mouldy = shown_house.client.get(f"/trays/{MOULDY_TRAY}").text
    assert "hold, do not feed (possible mould)" in mouldy
    assert "safe to feed" not in mouldy
    lagging = shown_house.client.get("/trays/6").text
    assert "look at it (behind its siblings)" in lagging


def test_slider_shows_the_photos_of_the_run(phone: Page) -> None:
    phone.goto("/trays/1")
    photos = phone.locator("#photos")
    caption, image = photos.locator("figcaption"), photos.locator(".large img")
    expect(caption).to_contain_text("day 5")
    expect(caption).to_contain_text("shoots 7.0 cm")
    slider = phone.get_by_label("Slide through the days")
    slider.focus()
    slider.press("Home")
    expect(caption).to_contain_text("day 2")
    expect(slider).to_have_attribute(
        "aria-valuetext",
        re.compile(r"^day 2 \(3 from soaking\), Wednesday 4 March 17:01\. 40 % covered"),
    )
    expect(image).to_have_attribute("src", "/api/photos/1/trays/1/view")
    expect(phone.get_by_role("link", name="Earlier photo")).to_have_count(0)
    phone.get_by_role("link", name="Later photo").click()
    expect(caption).to_contain_text("day 3")
    phone.get_by_role("link", name="Show what was read").click()
    expect(image).to_have_attribute("src", "/api/photos/7/overlay")
    expect(phone).to_have_url(phone.url.split("?")[0] + "?photo=7&drawn=1#photos")
    phone.reload()
    expect(image).to_have_attribute("src", "/api/photos/7/overlay")


def test_photos_can_be_walked_without_scripts(plain_phone: Page) -> None:
    plain_phone.goto("/trays/1")
    caption = plain_phone.locator("#photos figcaption")
    expect(plain_phone.get_by_role("slider")).to_have_count(0)
    plain_phone.get_by_role("link", name="Earlier photo").click()
    expect(caption).to_contain_text("day 4")
    plain_phone.get_by_role("link", name="Show what was read").click()
    expect(plain_phone.locator("#photos .large img")).to_have_attribute(
        "src", "/api/photos/13/overlay"
    )
    expect(caption).to_contain_text("day 4")
    plain_phone.get_by_text("All 4 photos of this run").click()
    plain_phone.get_by_role("link", name="day 2").click()
    expect(caption).to_contain_text("day 2")


def test_tables_say_the_same_as_the_api(shown_house: House) -> None:
    curve = shown_house.get("/api/trays/1/curve")["height"]
    page = shown_house.client.get("/trays/1").text
    point = curve["points"][-1]
    # 0.95 of a normal distribution lies within 1.96 standard deviations (tables of the normal).
    said = f"{point['value'] / 10:.1f} ± {1.96 * point['uncertainty'] / 10:.1f} cm"
    assert f'<td class="number">{said}</td>' in page
    assert "Photos; the truth should lie within ± 19 times in 20" in page
    day = curve["fitted"]["day"].index(7.0)
    between = f"{curve['fitted']['low'][day] / 10:.1f} to {curve['fitted']['high'][day] / 10:.1f}"
    median = f"{curve['fitted']['median'][day] / 10:.1f} cm"
    assert f'<td class="number">{median}</td><td class="number">{between}</td>' in page


def test_followed_patch_shows_its_place_in_every_photo(phone: Page, house: House) -> None:
    phone.goto(f"/trays/{MOULDY_TRAY}")
    rows = phone.locator("table.patch tbody tr")
    # Furnished with 8 mm on day 4 and 12 mm on day 5.
    expect(rows).to_have_count(2)
    expect(rows.nth(0)).to_contain_text("8 mm across: very likely, over 9 in 10")
    expect(rows.nth(1)).to_contain_text("12 mm across")
    expect(phone.locator("#page")).to_contain_text("A look is asked for; by all photos together")
    address = rows.nth(1).get_by_role("link").get_attribute("href")
    assert address is not None
    answer = house.client.get(address)
    assert (answer.status_code, answer.headers["content-type"]) == (200, "image/jpeg")


def test_a_spot_that_no_second_photo_shows_is_counted_only(house: House) -> None:
    house.photograph(1, EVENING, cover=0.9, height_mm=75.0, mould=[patch(9.0, 0.1)])
    page = house.client.get("/trays/1").text
    assert "One fainter spot that no second photo showed is not listed." in page
    assert "That does not prove there is none" in page


def test_tray_that_was_never_photographed_says_so(house: House) -> None:
    house.post("/api/trays", number=9)
    page = house.client.get("/trays/9").text
    assert "<h1>Tray 9: empty. Nothing was ever spread in it.</h1>" in page
    assert "This tray was never photographed." in page
    house.post("/api/runs", tray=9, spread_at=(EVENING - timedelta(days=1)).isoformat())
    page = house.client.get("/trays/9").text
    assert "not photographed yet in this run" in page
    assert "No photo of this run yet." in page


def test_soaking_tray_says_when_it_is_to_be_spread(house: House) -> None:
    house.post(
        "/api/runs",
        tray=9,
        soaked_at=EVENING.isoformat(),
        spread_at=(EVENING + timedelta(hours=12)).isoformat(),
    )
    page = house.client.get("/trays/9").text
    assert "<h1>Tray 9: soaking, to be spread tomorrow 06:00.</h1>" in page


def test_tray_between_runs_shows_its_last_run_and_its_history(house: House) -> None:
    run = house.get("/api/trays/1")["run"]["id"]
    at = EVENING - timedelta(hours=1)
    house.post(
        f"/api/runs/{run}/harvests",
        harvested_at=at.isoformat(),
        weight_g=3200.0,
        note="to the hens",
    )
    house.post("/api/trays/1/states", state="resting", since_at=EVENING.isoformat())
    page = house.client.get("/trays/1").text
    assert "<h1>Tray 1, Top shelf: resting since today 18:00.</h1>" in page
    assert "Its last run, spread 2 March and ended 7 March." in page
    # 3200 g from 500 g of seed.
    assert '<td class="number">3.2 kg</td>\n<td class="number">6.4</td>' in page
    assert "harvested; to the hens" in page
    house.post("/api/trays/1/states", state="retired", since_at=EVENING.isoformat())
    assert "out of use since today 18:00" in house.client.get("/trays/1").text


def test_photo_whose_tags_were_hidden_says_that_somebody_gave_it(house: House) -> None:
    sent = house.client.post(
        "/api/photos",
        files=[("photo", ("hidden.jpg", picture_saying("no tags"), "image/jpeg"))],
        data={"taken_at": EVENING.isoformat()},
    ).json()["photos"][0]
    assert house.post(f"/api/photos/{sent['id']}/trays", tray=1)["assigned_trays"] == [1]
    page = house.client.get("/trays/1").text
    assert "Assigned by hand; its tags could not be read. Not measured." in page
    assert f'data-plain="/api/photos/{sent["id"]}/thumbnail"' in page


def test_answered_flag_stands_among_the_earlier_ones(house: House) -> None:
    flag = next(one for one in house.get("/api/flags")["flags"] if one["tray"] == MOULDY_TRAY)
    house.post(f"/api/flags/{flag['id']}/verdict", verdict="root hairs")
    page = house.client.get(f"/trays/{MOULDY_TRAY}").text
    assert "Answered: it was root hairs, today 18:00." in page
    assert "possible mould, answered: it was root hairs" in page


def test_growth_against_the_rooms_own_normal(house: House) -> None:
    for number in range(2, 7):
        run = house.get(f"/api/trays/{number}")["run"]["id"]
        house.post(f"/api/runs/{run}/harvests", harvested_at=EVENING.isoformat())
    # What a run teaches counts from the day after its harvest on.
    house.watch.forward(days=1)
    page = house.client.get("/trays/1").text
    # Four of the five finished runs were as tall as this tray, one lagged.
    assert "growing as usual" in page
    assert "is usual in this room at that age" in page


def test_actions_stand_on_the_page_of_whoever_may_work(phone: Page, house: House) -> None:
    phone.goto("/trays/1")
    expect(phone.get_by_role("heading", name="Write down")).to_be_visible()
    house.post("/api/people", name="Mara", role="owner", password="a long one to keep")
    with house.service.database.write() as connection:
        by = house.service.entrant()
        reader = PEOPLE.add(connection, NewPerson(name="Jon", role=Role.READ_ONLY), by)
        cookie = begin_session(connection, reader.id, by.at)
    house.client.cookies.set(SESSION_COOKIE, cookie)
    page = house.client.get("/trays/1")
    assert page.status_code == 200
    assert "Write down" not in page.text
    assert "<form" not in page.text.replace('<form method="post" action="/logout"', "")


@pytest.mark.parametrize(
    "path",
    [
        *("/trays/77", "/trays/1/place.jpg?photo=999&x=0&y=0&across=9"),
        *("/trays/1?photo=99999", "/room?shelf=99", "/shelves/99"),
    ],
)
def test_what_is_not_there_is_said(shown_house: House, path: str) -> None:
    assert shown_house.client.get(path).status_code == 404


def test_charts_are_drawn_in_both_sizes_and_kept_by_the_browser(house: House) -> None:
    run = house.get("/api/trays/1")["run"]["id"]
    address = f"/charts/runs/{run}/height"
    first = house.client.get(address, params={"size": "phone"})
    assert first.headers["content-type"] == "image/svg+xml"
    assert "'unsafe-inline'" in first.headers["content-security-policy"]
    assert house.client.get(address, params={"size": "desk"}).text != first.text
    kept = {"If-None-Match": first.headers["etag"]}
    assert house.client.get(address, headers=kept).status_code == 304
    house.photograph(1, EVENING, cover=0.95, height_mm=78.0)
    anew = house.client.get(address, headers=kept)
    assert anew.status_code == 200
    assert anew.headers["etag"] != first.headers["etag"]
    assert house.client.get(f"/charts/runs/{run}/cover").status_code == 200


def test_chart_of_warmth_needs_readings(house: House) -> None:
    run = house.get("/api/trays/1")["run"]["id"]
    assert house.client.get(f"/charts/runs/{run}/thermal").status_code == 404
    for hours in range(0, 130, 6):
        read_at = (EVENING - timedelta(hours=hours)).isoformat()
        house.post("/api/readings", temperature_c=20.0, read_at=read_at)
    for name, what in (("thermal", "Height of the shoots"), ("thermal-cover", "Covered by shoots")):
        chart = house.client.get(f"/charts/runs/{run}/{name}")
        assert chart.status_code == 200
        assert what in chart.text
    page = house.client.get("/trays/1").text
    # 20 °C over the 5 days and 8 hours from spreading to the last photo.
    warm = "107 degree-days (°C) from spreading to the last photo within the readings"
    assert f"{warm}, 20.0 °C on average" in page
    # The charts' texts and the table by photo say the same as the API.
    thermal = house.get("/api/trays/1/curve")["thermal"]
    height, cover = (thermal[name]["points"][-1]["value"] for name in ("height", "cover"))
    assert f"to {height / 10:.1f} cm after 107." in page
    assert f"to {100 * cover:.0f} % after 107." in page
    row = page.split('<td class="number">107</td>')[1].split("</tr>")[0]
    assert f">{height / 10:.1f} ±" in row
    assert f">{100 * cover:.0f} ±" in row
    assert "What is usual in this room after that much warmth cannot be told yet" in page


def _ground(chart: Locator) -> tuple[int, ...]:
    """Colour of a chart's upper right corner, where nothing is drawn."""
    picture = Image.open(BytesIO(chart.screenshot())).convert("RGB")
    colour = picture.getpixel((picture.width - 5, 5))
    assert isinstance(colour, tuple)
    return colour


def test_charts_are_dark_at_night_and_white_on_paper(browser: Browser, shown_house: House) -> None:
    context = browser.new_context(
        base_url=shown_house.address,
        viewport={"width": PHONE["width"], "height": PHONE["height"]},
        color_scheme="dark",
    )
    page = context.new_page()
    page.goto("/trays/1")
    chart = page.get_by_alt_text("Chart of tray 1, height of the shoots")
    chart.scroll_into_view_if_needed()
    expect(chart).to_have_js_property("complete", True)
    # The page's own grounds, as room.css has them.
    assert _ground(chart) == (0x1E, 0x16, 0x10)
    page.emulate_media(color_scheme="light")
    assert _ground(chart) == (0xF8, 0xF2, 0xE6)
    page.emulate_media(media="print", color_scheme="dark")
    assert _ground(chart) == (0xFF, 0xFF, 0xFF)
    context.close()


def test_headline_names_a_photo_that_shows_a_spot_before_all_that_is_quiet(house: House) -> None:
    spot = patch(6.0, 0.42)
    one = house.photograph(1, EVENING - timedelta(hours=2), cover=0.95, mould=[spot])
    page = " ".join(house.client.get("/trays/1").text.split())
    why = "a photo of today 16:00 shows a spot that may be mould, as likely as not, 4 in 10"
    assert f"<h1>Tray 1, Top shelf, day 5: look at it first ({why})" in page
    assert f'<a href="/photos/{one["id"]}">A{why[1:]}</a>' in page
    house.client.patch("/api/room", json={"target_day": 5.4})
    assert why in house.client.get("/").text
    assert "look first" in house.client.get("/room").text


def test_photo_of_an_empty_tray_that_asks_for_a_look_leads_to_starting_its_run(
    house: House,
) -> None:
    house.post("/api/trays", number=40)
    score = {"value": 41, "attention": "hold"}
    one = house.photograph(40, EVENING - timedelta(hours=2), score=score)
    page = " ".join(house.client.get("/trays/40").text.split())
    asks = "photo of today 16:00 asks to hold it from feeding until you have looked"
    assert f"but a {asks}.</h1>" in page
    assert f'<a href="/photos/{one["id"]}">A {asks}</a>' in page
    assert '<a href="/room/start?tray=40">Start the run that it shows</a>' in page
    house.watch.forward(days=3)
    assert asks not in " ".join(house.client.get("/trays/40").text.split())
