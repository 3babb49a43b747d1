"""What a photo says, the list of photos, and what people say about them."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from service.photos.inspection_job import InspectedPhoto, InspectionJob
from tests.pages.conftest import DESK, PHONE, assert_accessible, open_page
from tests.pages.house import EVENING, MOULDY_TRAY, House
from tests.service.recorded_inspections import patch, photo_bytes, picture_saying

MOULD_PART = {
    "name": "mould",
    "points_off": 30.0,
    "weight": 40,
    "known": True,
    "reason": "Possible mould (likely, 7 in 10): one patch of 12 mm, white fuzz.",
    "doubt": None,
}
HEIGHT_PART = {
    "name": "height",
    "points_off": None,
    "weight": 15,
    "known": False,
    "reason": "Height cannot be told. The canopy's edge on the height strip is not clear.",
    "doubt": "strip_unclear",
}
HOLD = {"value": 41, "attention": "hold", "parts": [MOULD_PART, HEIGHT_PART]}


def send(house: House, *trays: dict[str, Any], note: str = "") -> int:
    """Send a photo that shows these trays, taken in the evening; returns its id."""
    drawn = [{"drawn": True, "mould": [], **tray} for tray in trays]
    content = photo_bytes(*drawn, note=note) if trays else picture_saying(f"nothing {note}")
    answer = house.client.post(
        "/api/photos", files=[("photo", ("sent.jpg", content, "image/jpeg"))]
    )
    assert answer.status_code == 201, answer.text
    number: int = answer.json()["photos"][0]["id"]
    return number


# The list on a phone, and all of it without scripts, is among what `test_every_page` walks.
@pytest.mark.parametrize(
    ("size", "lists"),
    [(PHONE, ("/photos?unread=true",)), (DESK, ("/photos", "/photos?unread=true"))],
    ids=["phone", "desk"],
)
def test_pages_of_photos_are_accessible(
    browser: Browser, shown_house: House, size: dict[str, int], lists: tuple[str, ...]
) -> None:
    page = open_page(browser, shown_house, size, scripts=True)
    newest = shown_house.get(f"/api/photos?tray={MOULDY_TRAY}&limit=1")["photos"][0]["id"]
    for path in (*lists, f"/photos/{newest}"):
        page.goto(path)
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        assert_accessible(page)
    expect(page.get_by_role("heading", level=1)).to_contain_text(f"Tray {MOULDY_TRAY}, day 5")
    page.context.close()


def test_a_photo_answers_first_and_gives_its_reasons(phone: Page, house: House) -> None:
    one = send(house, {"number": 3, "mould": [patch(12.0, 0.72)], "score": HOLD, "height_mm": 70.0})
    phone.goto(f"/photos/{one}")
    expect(phone.get_by_role("heading", level=1)).to_have_text(
        "Tray 3, day 5 (6 from soaking): 41 of 100, "
        "one spot of 12 mm may be mould, likely, 7 in 10."
    )
    main = phone.get_by_role("main")
    for words in (
        "Hold: do not feed",
        "30 of 40 points off",
        "12 mm across, 120 mm towards bar A and 60 mm to the left from the middle: likely, 7 in 10",
        "50 %, give or take 2 %",
        # 85 mm above the floor, 1.96 standard uncertainties of 2 mm.
        "8.5 cm, give or take 0.4 cm",
        "Height cannot be told. The canopy's edge",
        "about 4 mm across",
        "Possible mould: hold it from feeding until you have looked.",
    ):
        expect(main).to_contain_text(words)
    expect(main).not_to_contain_text("safe to feed")
    picture = phone.get_by_role("img", name="Photo of today 18:00")
    expect(picture).to_have_js_property("complete", True)
    assert_accessible(phone)
    picture.click()
    expect(phone).to_have_url(f"{house.address}/api/photos/{one}/overlay")


def test_a_picture_opened_alone_is_laid_out_by_the_browser_without_a_complaint(
    phone: Page, house: House
) -> None:
    one = send(house, {"number": 3})
    complaints: list[str] = []
    phone.on("console", lambda said: complaints.append(said.text))
    for kind in ("overlay", "picture", "thumbnail"):
        phone.goto(f"/api/photos/{one}/{kind}")
        # The browser's own page centres it, which it does by inline styles.
        assert phone.get_by_role("img").evaluate("one => getComputedStyle(one).display") == "block"
    assert complaints == []


def test_a_clean_photo_of_a_tray_with_an_open_look_or_hold_names_that_first(
    phone: Page, house: House
) -> None:
    flag = next(one for one in house.get("/api/flags")["flags"] if one["tray"] == MOULDY_TRAY)
    one = send(house, {"number": MOULDY_TRAY})
    held = "Tray 3 is on hold: possible mould"
    for page in (f"/photos/{one}", f"/photos/{one}/result", "/photos"):
        assert f"{held}. This photo alone: Tray 3, day 5" in house.client.get(page).text
    house.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    phone.goto(f"/photos/{one}")
    heading = phone.get_by_role("heading", level=1)
    expect(heading).to_contain_text("Tray 3 is on hold: somebody found mould. This photo alone:")
    link = phone.get_by_role("link", name="Tray 3 is on hold: somebody found mould")
    expect(link).to_have_attribute("href", f"/flags/{flag['id']}")
    house.post(f"/api/flags/{flag['id']}/verdict", verdict="husks")
    assert "on hold" not in house.client.get(f"/photos/{one}").text


def test_a_photo_said_to_show_another_tray_than_its_tags_says_so_first(house: House) -> None:
    one = send(house, {"number": 2})
    answer = house.client.post(f"/photos/{one}/trays", data={"tray": "5"})
    assert answer.status_code == 303
    shown = house.client.get(f"/photos/{one}").text
    assert "<h1>Tray 5, as somebody said; its tags name tray 2. Measured as tray 2, day 5" in shown
    assert "look whether the kit&#39;s bars stand on the wrong tray" in shown
    assert "Assigned by hand; its tags name tray 2" in house.client.get("/trays/5").text
    house.client.post(f"/photos/{one}/trays", data={"tray": "2"})
    assert "as somebody said" not in house.client.get(f"/photos/{one}").text


def test_a_tray_given_by_hand_is_taken_back_on_the_photos_page(phone: Page, house: House) -> None:
    one = send(house, {"number": 2})
    house.client.post(f"/photos/{one}/trays", data={"tray": "5"})
    phone.goto(f"/photos/{one}")
    phone.get_by_role("button", name="It does not show tray 5: take that back").click()
    expect(phone.get_by_role("status")).to_contain_text("photo shows tray 5")
    assert house.get(f"/api/photos/{one}")["assigned_trays"] == []
    assert "Assigned by hand" not in house.client.get("/trays/5").text
    assert_accessible(phone)
    phone.get_by_role("button", name="Undo").click()
    expect(phone.get_by_role("heading", level=1)).to_contain_text("Tray 5, as somebody said")


def test_one_level_is_said_of_a_tray_whose_newest_photo_alone_asks(house: House) -> None:
    fuzz = "Even white fuzz all over, late for root hairs."
    part = {"name": "mould", "weight": 40, "known": True, "points_off": 4.0, "reason": fuzz}
    score = {"value": 91, "attention": "look", "parts": [part]}
    photo = house.photograph(1, EVENING, cover=0.98, height_mm=72.0, score=score)
    why = "its newest photo: even white fuzz all over, late for root hairs"
    tray = house.client.get("/trays/1").text
    assert "day 5: over the days nothing stands out, " in tray and why in tray
    assert f"Over the days nothing stands out; {why}" in house.client.get("/room").text
    for page in ("/photos", f"/photos/{photo['id']}"):
        assert "91 of 100, worth a look; over the days nothing" in house.client.get(page).text
    # Tray 6 lags behind its siblings: there its photo is one more reason.
    photo = house.photograph(6, EVENING, cover=0.4, height_mm=29.0, score=score)
    assert why not in house.client.get("/trays/6").text
    assert "91 of 100, worth a look." in house.client.get(f"/photos/{photo['id']}").text


def test_a_photo_says_heights_in_the_rooms_unit_alone(house: House) -> None:
    height = {
        "name": "height",
        "points_off": 4.0,
        "weight": 15,
        "known": True,
        "reason": "Shoots 70 mm: within the usual 50 to 120 mm for its age.",
        "doubt": None,
    }
    score = {"value": 60, "attention": "look", "parts": [MOULD_PART, height]}
    one = send(house, {"number": 2, "score": score, "height_mm": 70.0})
    page = " ".join(house.client.get(f"/photos/{one}").text.split())
    assert "Shoots 7.0 cm: within the usual 5.0 to 12.0 cm for its age." in page
    # Small places stay in mm beside heights in cm.
    assert "one patch of 12 mm, white fuzz" in page
    house.client.patch("/api/room", json={"length_unit": "in"})
    page = " ".join(house.client.get(f"/photos/{one}").text.split())
    # 70, 50, 120 and 12 mm at 25.4 mm an inch.
    assert "Shoots 2.8 in: within the usual 2.0 to 4.7 in for its age." in page
    assert "one patch of 0.5 in, white fuzz" in page


def test_one_height_and_no_spread_of_nothing_stand_on_a_photos_page(house: House) -> None:
    height = {"name": "height", "points_off": 4.0, "weight": 15, "known": True}
    height["reason"] = "Shoots 43 mm on day 5.3: below the usual 50 to 120 mm."
    score = {"value": 60, "attention": "look", "parts": [height]}
    said = {"number": 2, "score": score, "height_mm": 42.5, "yellow_share": 0.002}
    page = " ".join(house.client.get(f"/photos/{send(house, said)}").text.split())
    assert "Shoots 4.2 cm on day 5.3: below the usual 5.0 to 12.0 cm." in page
    assert 'Shoots above the bed</strong> <span class="number">4.2 cm, give or take' in page
    assert 'Yellow shoots</strong> <span class="number">0.2 %, give or take' in page
    assert "give or take 0 %" not in page
    assert "Reckoned on rendered trays so that 19 of 20 truths lie within" in page


def test_several_trays_in_one_photo_have_each_its_part(phone: Page, house: House) -> None:
    look = {"value": 60, "attention": "look"}
    phone.goto(f"/photos/{send(house, {'number': 1}, {'number': 2, 'score': look})}")
    expect(phone.get_by_role("heading", level=1)).to_contain_text(
        "2 trays: Tray 2, day 5 (6 from soaking) asks for a look."
    )
    expect(phone.get_by_role("heading", level=2, name="Tray 1, day 5")).to_be_visible()
    expect(phone.get_by_role("heading", level=2, name="Tray 2, day 5")).to_contain_text("60 of 100")


def test_a_tray_whose_tags_are_hidden_is_picked_by_its_number(phone: Page, house: House) -> None:
    one = send(house, note="hidden")
    house.post("/api/trays", number=40)
    phone.goto("/photos?unread=true")
    phone.get_by_role("link", name="No tray could be read").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text(
        "No tray could be read: no tag of the reference kit could be read."
    )
    assert_accessible(phone)
    offered = phone.get_by_label("Tray", exact=True).locator("option")
    assert offered.all_inner_texts() == [f"Tray {number}" for number in (1, 2, 3, 4, 5, 6, 40)]
    phone.get_by_label("Tray", exact=True).select_option("5")
    phone.get_by_role("button", name="It shows this tray").click()
    expect(phone.get_by_role("status").first).to_contain_text("This photo shows tray 5.")
    expect(phone.get_by_role("heading", level=1)).to_contain_text("Tray 5 by hand.")
    assert house.get("/api/photos?tray=5&limit=1")["photos"][0]["id"] == one
    phone.get_by_role("button", name="Undo").click()
    expect(phone.get_by_role("heading", level=1)).not_to_contain_text("by hand")
    assert house.get(f"/api/photos/{one}")["assigned_trays"] == []


def test_moment_and_watering_are_corrected_and_undone(phone: Page, house: House) -> None:
    one = send(house, {"number": 2}, note="corrected")
    phone.goto(f"/photos/{one}")
    phone.get_by_text("Correct when it was taken").click()
    phone.get_by_label("Around watering").select_option("after")
    phone.get_by_role("button", name="Correct it").click()
    expect(phone.locator("figcaption")).to_contain_text("Came in today 18:00, after watering")
    # Only what was changed was said: the moment keeps its source.
    assert house.get(f"/api/photos/{one}")["taken_at_from"] == "received"
    phone.get_by_text("Correct when it was taken").click()
    phone.get_by_label("Taken").fill("2026-03-06T07:30")
    phone.get_by_role("button", name="Correct it").click()
    expect(phone.locator("figcaption")).to_contain_text("Taken yesterday 07:30, after watering")
    phone.get_by_role("button", name="Undo").click()
    expect(phone.locator("figcaption")).to_contain_text("Came in today 18:00, after watering")


def test_moment_and_note_are_emptied(phone: Page, house: House) -> None:
    one = send(house, {"number": 2}, note="emptied")
    path = f"/photos/{one}/capture"
    said = {"watering": "after", "taken_at": "2026-03-06T07:30", "note": "lid fogged\nby steam"}
    assert house.client.post(path, data=said).status_code == 303
    phone.goto(f"/photos/{one}")
    expect(phone.locator("figcaption")).to_contain_text("Taken yesterday 07:30, after watering")
    expect(phone.get_by_text("Noted: lid fogged by steam")).to_be_visible()
    summary = phone.get_by_text("Correct when it was taken")
    summary.click()
    phone.get_by_role("button", name="Correct it").click()
    expect(phone.get_by_text("Noted: lid fogged by steam")).to_be_visible()
    # A browser ends lines otherwise than the log: what nobody touched stays as it was.
    stands = house.get(f"/api/photos/{one}")
    assert (stands["taken_at"], stands["note"]) == ("2026-03-06T06:30:00Z", "lid fogged\nby steam")
    summary.click()
    phone.get_by_label("Taken").fill("")
    phone.get_by_label("Note").fill("")
    phone.get_by_role("button", name="Correct it").click()
    expect(phone.locator("figcaption")).to_contain_text("Came in today 18:00, after watering")
    expect(phone.get_by_text("Nothing tells when it was taken")).to_be_visible()
    expect(phone.get_by_text("Noted:")).to_have_count(0)
    assert_accessible(phone)
    corrected = house.get(f"/api/photos/{one}")
    assert (corrected["note"], corrected["taken_at_from"]) == (None, "received")


def test_what_was_typed_wrong_is_said_and_stays(house: House) -> None:
    one = send(house, {"number": 2}, note="typed")
    answer = house.client.post(f"/photos/{one}/capture", data={"taken_at": "1920-01-01T10:00"})
    assert answer.status_code == 422
    assert "must lie in the years 2000 to 2199" in answer.text
    assert 'value="1920-01-01T10:00"' in answer.text
    assert house.client.post(f"/photos/{one}/trays", data={"tray": "77"}).status_code == 404
    assert house.client.post(f"/photos/{one}/trays", data={}).status_code == 422


def test_a_photo_is_measured_again(phone: Page, house: House) -> None:
    one = send(house, {"number": 4}, note="again")
    before = house.get(f"/api/photos/{one}")["inspection_id"]
    phone.goto(f"/photos/{one}")
    phone.get_by_role("button", name="Measure it again").click()
    expect(phone.get_by_role("status").first).to_contain_text("Measured again.")
    assert house.get(f"/api/photos/{one}")["inspection_id"] > before


def test_photos_stand_thirty_to_a_page(phone: Page, house: House) -> None:
    for number in range(8):
        house.photograph(1, EVENING - timedelta(minutes=number))
    phone.goto("/photos")
    expect(phone.locator(".photo-rows > li")).to_have_count(30)
    expect(phone.locator(".photo-rows > li").first).to_contain_text("today 18:00")
    phone.get_by_role("link", name="Older").click()
    expect(phone.locator(".photo-rows > li")).to_have_count(2)
    phone.get_by_role("link", name="Newer").click()
    expect(phone).to_have_url(f"{house.address}/photos")


def test_an_empty_room_has_no_photo_and_says_what_to_do(empty_house: House) -> None:
    assert "No photo yet" in empty_house.client.get("/photos").text
    assert "Every photo could be read" in empty_house.client.get("/photos?unread=true").text
    one = send(empty_house, note="first")
    assert "No tray is in the log yet." in empty_house.client.get(f"/photos/{one}").text


def test_who_only_reads_sees_no_forms(browser: Browser, house: House) -> None:
    house.post("/api/people", name="Mara", role="owner", password="a long one to keep")
    house.client.headers["Origin"] = house.address
    house.client.post("/api/login", json={"name": "Mara", "password": "a long one to keep"})
    house.post("/api/people", name="Guest", role="read-only", password="a long one to keep")
    page = open_page(browser, house, PHONE, scripts=True)
    page.goto("/photos/1")
    page.get_by_label("Name").fill("Guest")
    page.get_by_label("Password").fill("a long one to keep")
    page.get_by_role("button", name="Log in").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Tray 1")
    expect(page.get_by_role("main").get_by_role("button")).to_have_count(0)
    page.goto("/snap")
    expect(page.get_by_role("main")).to_contain_text("the owner can change that")
    expect(page.locator("input")).to_have_count(0)
    page.context.close()


def test_tray_of_another_size_leads_to_saying_it(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    sentence = "Tray 71: its tags 426, 427 do not fit one tray of the size that was given."
    misfit = {"tray": 71, "doubts": ["tags_contradict"], "problem": sentence}
    inspect = house.inspector.inspect

    def contradicting(job: InspectionJob) -> InspectedPhoto:
        found = inspect(job)
        record = found.record | {"trays": [], "not_measured": [misfit], "problem": sentence}
        return replace(found, record=record)

    monkeypatch.setattr(house.inspector, "inspect", contradicting)
    photo = house.photograph(71, EVENING)
    words = "Tray 71 is there, but it is not 540 x 280 x 60 mm"
    short = house.client.get(f"/photos/{photo['id']}/result").text
    assert short.count(words) == 1
    assert sentence not in short
    assert 'href="/set-up/trays?numbers=71"' in short
    assert "Measure it again" in short
    assert "Wipe tags" not in short
    assert 'value="71"' in house.client.get("/set-up/trays?numbers=71").text
    house.post("/api/trays", number=71, size="600x300x50")
    whole = house.client.get(f"/photos/{photo['id']}").text
    assert "it is not 600 x 300 x 50 mm" in whole
    assert 'href="/set-up/trays/71"' in whole


def test_tray_measured_at_a_doubtful_size_leads_to_saying_it_unless_it_asks_for_a_look(
    house: House,
) -> None:
    doubtful = house.photograph(72, EVENING, doubts=["size_doubtful"])
    words = "Tray 72 is there, but it is not 540 x 280 x 60 mm"
    text = house.client.get(f"/photos/{doubtful['id']}").text
    assert words in text
    assert "Say its inner size, then measure this photo again" in text
    assert 'href="/set-up/trays/72"' in text or 'href="/set-up/trays?numbers=72"' in text
    asking = house.photograph(
        72, EVENING + timedelta(minutes=1), doubts=["size_doubtful"], score={"attention": "look"}
    )
    text = house.client.get(f"/photos/{asking['id']}").text
    assert words not in text
    assert "Say its inner size, then measure this photo again" in text


def test_a_tray_that_grows_though_the_log_calls_it_empty_is_told(house: House) -> None:
    taken = house.photograph(71, EVENING, cover=0.6)
    told = "By the log nothing grew in tray 71 then."
    assert told in house.client.get(f"/photos/{taken['id']}").text
    washed = house.photograph(72, EVENING, cover=0.0)
    assert "By the log nothing grew" not in house.client.get(f"/photos/{washed['id']}").text
    growing = house.photograph(1, EVENING, cover=0.6)
    assert "By the log nothing grew" not in house.client.get(f"/photos/{growing['id']}").text
