"""An empty room is set up in one evening: on a phone, without any script."""

import re
from collections.abc import Iterator
from pathlib import Path

import pypdfium2 as pdfium
import pytest
from playwright.sync_api import Browser, Page, expect

from tests.kit.printed_pages import raster, read_tags
from tests.pages.conftest import PHONE, assert_accessible, open_page
from tests.pages.house import House
from trayvision.reference_kit import tag_id

# Invented; only long enough.
OWNERS_PASSWORD, WORKERS_PASSWORD = "oats before noon", "bucket by the tap"
CARRIED_TAGS = {580, 581}


@pytest.fixture
def evening_phone(browser: Browser, empty_house: House) -> Iterator[Page]:
    """A phone without scripts that looks at a room with nothing in it."""
    page = open_page(browser, empty_house, PHONE, scripts=False)
    yield page
    page.context.close()


def _heading(page: Page, text: str) -> None:
    expect(page.get_by_role("heading", level=1)).to_have_text(text)


def _press(page: Page, name: str) -> None:
    page.get_by_role("button", name=name, exact=True).click()


def _step(page: Page, name: str) -> None:
    page.goto("/set-up")
    page.get_by_role("list").get_by_role("link", name=name).first.click()


def _name_the_room(page: Page) -> None:
    _step(page, "Name the room")
    page.get_by_label("Name", exact=True).fill("Cellar of the Ahornhof")
    page.get_by_label("Time zone").select_option("America/New_York")
    page.get_by_label("Soaking: day 0").check()
    page.get_by_label("Inner size of a tray").fill("21.25 x 11 x 2.5")
    page.get_by_label("Typed in").select_option("in")
    _press(page, "Save the room")
    expect(page.get_by_role("status")).to_contain_text("The room is saved")
    page.get_by_role("link", name="Units").click()
    for unit in ("°F, 67 °F", "lb, as in 8 lb", "US gallons", "in, as in 5.6 in"):
        page.get_by_label(unit).check()
    _press(page, "Save the units")
    expect(page.get_by_role("status")).to_contain_text("The units are saved")


def _enter_racks_and_trays(page: Page) -> None:
    _step(page, "Racks and shelves")
    _heading(page, "No rack yet")
    page.get_by_label("Name", exact=False).fill("Rack by the door")
    page.get_by_label("Shelves", exact=True).fill("6")
    page.get_by_label("Places on each shelf").fill("12")
    _press(page, "Enter the rack")
    _heading(page, "1 rack, the top shelf first")
    expect(page.get_by_role("link", name="6. Shelf 6")).to_be_visible()
    expect(page.get_by_role("listitem").filter(has_text="6. Shelf 6")).to_contain_text("12 places")
    _step(page, "Register the trays")
    _heading(page, "No tray yet")
    page.get_by_label("Numbers of new trays").fill("1-3")
    _press(page, "Register the trays")
    expect(page.get_by_role("status")).to_contain_text("Registered: 1–3")


def _printed_tags(page: Page, folder: Path) -> set[int]:
    """Every tag that an independent reader finds in the PDF that the page gives."""
    expect(page.get_by_label("Tray numbers")).to_have_value("1-3")
    expect(page.get_by_label("Level 3")).not_to_be_checked()
    page.get_by_label("Level 2").check()
    page.get_by_label("US Letter").check()
    with page.expect_response(re.compile(r"/set-up/kit/kit\.pdf\?")) as waiting:
        _press(page, "Make the PDF")
    # What the browser shows in its own reader is asked for once more, to be kept.
    path = folder / "kit.pdf"
    path.write_bytes(page.request.get(waiting.value.url).body())
    document = pdfium.PdfDocument(path)
    assert document[0].get_size() == (pytest.approx(612.0, abs=0.5), pytest.approx(792.0, abs=0.5))
    tags = {tag for sheet in document for tag, _ in read_tags(raster(sheet))}
    document.close()
    return tags


def _let_phones_in(page: Page) -> None:
    _step(page, "Let phones in")
    page.get_by_label("Name", exact=True).fill("Mara")
    page.get_by_label("Password", exact=False).first.fill(OWNERS_PASSWORD)
    page.get_by_label("The same again").fill("another one")
    _press(page, "Make the first owner")
    expect(page.get_by_role("alert")).to_contain_text("must be the same as the password")
    expect(page.get_by_label("Name", exact=True)).to_have_value("Mara")
    expect(page.get_by_label("The same again")).to_have_value("")
    page.get_by_label("Password", exact=False).first.fill(OWNERS_PASSWORD)
    page.get_by_label("The same again").fill(OWNERS_PASSWORD)
    _press(page, "Make the first owner")
    _heading(page, "One step more, and phones reach these pages")
    expect(page.get_by_text("trayvision serve --host 0.0.0.0")).to_be_visible()


def _log_in(page: Page, name: str, password: str) -> None:
    page.goto("/more")
    _press(page, "Log out")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(password)
    _press(page, "Log in")


def test_an_empty_room_is_set_up_in_one_evening(
    evening_phone: Page, empty_house: House, tmp_path: Path
) -> None:
    page = evening_phone
    page.goto("/set-up")
    _heading(
        page,
        "Still missing: the room's own figures, racks and shelves, the trays, mounted kits, "
        "a seed lot, a tray that was spread, the first photos and a way in for phones.",
    )
    _name_the_room(page)
    room = empty_house.get("/api/room")
    assert (room["name"], room["day_zero"]) == ("Cellar of the Ahornhof", "soak")
    # 25.4 mm an inch, by definition, to a tenth of a millimetre.
    assert room["tray_size"] == "539.8x279.4x63.5"
    _enter_racks_and_trays(page)
    assert len(empty_house.get("/api/positions")) == 72
    expected = {tag_id(tray, corner) for tray in (1, 2, 3) for corner in range(4)}
    assert _printed_tags(page, tmp_path) == expected | CARRIED_TAGS
    _let_phones_in(page)
    assert empty_house.client.get("/api/room").status_code == 401
    page.goto("/set-up/people")
    page.get_by_label("Name", exact=True).fill("Jonas")
    page.get_by_label("Worker").check()
    page.get_by_label("Password", exact=False).first.fill(WORKERS_PASSWORD)
    page.get_by_label("The same again").fill(WORKERS_PASSWORD)
    _press(page, "Enter")
    expect(page.get_by_role("status")).to_contain_text("Jonas is entered")
    _log_in(page, "Jonas", WORKERS_PASSWORD)
    page.goto("/set-up")
    _heading(
        page,
        "Still missing: mounted kits, a seed lot, a tray that was spread, the first photos "
        "and a way in for phones.",
    )
    expect(page.get_by_role("link", name="Messages")).to_have_count(0)
    page.goto("/set-up/people")
    _heading(page, "Not allowed")


def test_pages_of_an_empty_room_are_accessible(browser: Browser, empty_house: House) -> None:
    page = open_page(browser, empty_house, PHONE, scripts=True)
    for path in ("", "/racks", "/trays", "/lots", "/kit", "/cameras", "/people"):
        page.goto(f"/set-up{path}")
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        assert_accessible(page)
    page.context.close()
