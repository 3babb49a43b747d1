"""Four corners of a tray without a kit: by finger, by key, by taps without scripts, by numbers."""

import re
from io import BytesIO

import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, expect

from service.photos.inspection_job import InspectedPhoto, InspectionJob
from tests.pages.conftest import DESK, PHONE, assert_accessible, open_page
from tests.pages.house import House

WIDTH, HEIGHT = 400, 300


@pytest.fixture
def unread(house: House) -> int:
    """A photo of 400 x 300 px in which no tag could be read."""
    return send_unread(house)


def send_unread(house: House) -> int:
    file = BytesIO()
    Image.new("RGB", (WIDTH, HEIGHT), (90, 70, 40)).save(file, "JPEG")
    sent = ("tray.jpg", file.getvalue(), "image/jpeg")
    answer = house.client.post("/api/photos", files=[("photo", sent)])
    number: int = answer.json()["photos"][0]["id"]
    return number


def marked(house: House, photo: int) -> dict[str, list[float]]:
    (tray,) = house.get(f"/api/photos/{photo}")["trays"]
    corners: dict[str, list[float]] = tray["marked"]["corners_px"]
    return corners


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_corners_are_accessible(
    browser: Browser, house: House, unread: int, size: dict[str, int]
) -> None:
    page = open_page(browser, house, size, scripts=True)
    page.goto(f"/photos/{unread}/corners")
    expect(page.get_by_role("heading", level=1)).to_have_text("Mark the tray's four corners")
    expect(page.get_by_role("slider", name="near left corner")).to_be_visible()
    assert_accessible(page)
    page.context.close()


def test_corners_are_moved_by_finger_and_by_key(phone: Page, house: House, unread: int) -> None:
    phone.goto(f"/photos/{unread}")
    phone.get_by_role("link", name="mark its four corners").click()
    mark = phone.get_by_role("slider", name="near left corner")
    expect(mark).to_have_attribute("aria-valuetext", "15 % from the left, 85.3 % from the top")
    mark.hover()
    box, stage = mark.bounding_box(), phone.locator("#stage").bounding_box()
    assert box is not None and stage is not None
    assert min(box["width"], box["height"]) >= 48
    phone.mouse.down()
    phone.mouse.move(stage["x"] + 0.1 * stage["width"], stage["y"] + 0.9 * stage["height"])
    phone.mouse.up()
    expect(mark).to_be_focused()
    # Between two points of the screen lie 0.3 % of the picture.
    expect(mark).to_have_attribute(
        "aria-valuetext",
        re.compile(r"^(9\.\d|10(\.\d)?) % from the left, (89\.\d|90(\.\d)?) % from"),
    )
    for key in (*["ArrowRight"] * 5, "Shift+ArrowUp"):
        phone.keyboard.press(key)
    phone.get_by_label("Which tray it is").select_option("4")
    phone.get_by_label("Length").fill("40")
    phone.get_by_label("Width").fill("25")
    phone.get_by_role("button", name="Measure it").click()
    expect(phone.get_by_role("heading", level=1)).to_contain_text("Tray 4, day 5")
    expect(phone.get_by_role("main")).to_contain_text(
        "Its corners were marked by hand, its inner size given as 400x250x60 mm."
    )
    expect(phone.get_by_role("main")).to_contain_text("cannot be told without a kit")
    assert_accessible(phone)
    x, y = marked(house, unread)["near_left"]
    assert abs(x - 0.15 * WIDTH) < 4
    assert abs(y - 0.9 * HEIGHT) < 4
    assert marked(house, unread)["far_right"] == [340.0, 45.0]
    phone.get_by_role("button", name="Undo").click()
    expect(phone.get_by_role("heading", level=1)).to_contain_text("No tray could be read")


def test_without_scripts_corners_are_tapped_one_after_the_other(
    plain_phone: Page, house: House, unread: int
) -> None:
    plain_phone.goto(f"/photos/{unread}/corners")
    # The picture is 320 px wide: 0.8 of the photo's 400 px.
    taps = {"near left": (32, 216), "near right": (288, 216), "far right": (256, 24)}
    for count, (name, place) in enumerate(taps.items(), start=1):
        expect(plain_phone.get_by_text(f"{count} of 4: tap the {name} corner.")).to_be_visible()
        tap(plain_phone, place)
    tap(plain_phone, (64, 24))
    expect(plain_phone.get_by_text("All four corners are tapped.")).to_be_visible()
    plain_phone.get_by_role("button", name="Measure it").click()
    expect(plain_phone.get_by_role("heading", level=1)).to_contain_text("The marked tray")
    corners = marked(house, unread)
    for name, x, y in (("near_left", 40, 270), ("far_left", 80, 30)):
        assert corners[name] == [pytest.approx(x, abs=2), pytest.approx(y, abs=2)]


def tap(page: Page, place: tuple[int, int]) -> None:
    page.get_by_role("button", name="The photo: tap").click(position={"x": place[0], "y": place[1]})


@pytest.mark.parametrize(
    ("changed", "rule"),
    [
        ({"near_left_x": "390"}, "must go round the tray: near left, near right"),
        ({"far_left_y": ""}, "must be marked, got nothing"),
        ({"far_left_y": "top"}, "must be a number, got &#39;top&#39;"),
        ({"length": "40"}, "and width must both be typed, or neither"),
        ({"length": "4", "width": "3"}, "length_mm must be from 100 to 3000 mm, got 40"),
    ],
)
def test_corners_that_break_a_rule_stay_typed(
    house: House, unread: int, changed: dict[str, str], rule: str
) -> None:
    form = {"near_left_x": "40", "near_left_y": "270", "near_right_x": "360"}
    form |= {"near_right_y": "270", "far_right_x": "340", "far_right_y": "45"}
    form |= {"far_left_x": "60", "far_left_y": "45"}
    answer = house.client.post(f"/photos/{unread}/corners", data=form | changed)
    assert answer.status_code == 422
    assert rule in answer.text
    assert 'value="340"' in answer.text


def test_a_file_that_shows_no_picture_cannot_be_marked(house: House) -> None:
    class Blind:
        """Finds no picture in anything."""

        def inspect(self, job: InspectionJob) -> InspectedPhoto:
            found = house.inspector.inspect(job)
            return InspectedPhoto(
                found.record | {"width": None, "height": None, "problem": "is no photo."},
                found.taken_at,
                found.taken_at_from,
            )

    house.service.__dict__["inspector"] = Blind()
    photo = send_unread(house)
    page = house.client.get(f"/photos/{photo}").text
    assert "/corners" not in page
    assert "JPEG and PNG can be read" in page
    assert house.client.get(f"/photos/{photo}/corners").status_code == 409
