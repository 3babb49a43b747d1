"""A sample photo through the whole service, measured by the library itself."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from service.photos.inspector import PoolInspector
from tests.pages.conftest import PHONE, open_page
from tests.pages.house import House

PHOTO = Path(__file__).parents[2] / "sample_images/photos/day6-barley-healthy-fixed.jpg"


@pytest.fixture
def measuring_phone(browser: Browser, empty_house: House) -> Iterator[Page]:
    """A phone that looks at an empty room which measures photos itself."""
    inspector = PoolInspector(processes=1, waiting=4, seconds=120.0)
    empty_house.service.__dict__["inspector"] = inspector
    page = open_page(browser, empty_house, PHONE, scripts=True, worker=True)
    yield page
    page.context.close()
    inspector.close()


def test_a_sample_photo_gets_its_score(measuring_phone: Page, empty_house: House) -> None:
    page = measuring_phone
    # Its true size: with another one its tags say so, and it is not measured.
    empty_house.post("/api/trays", number=82, size="500x250x60")
    page.goto("/snap")
    expect(page.locator("#snap.scripted")).to_be_visible()
    page.get_by_label("Open the camera").set_input_files(PHOTO)
    result = page.locator("#results .said")
    expect(result).to_be_visible(timeout=120_000)
    (photo,) = empty_house.get("/api/photos")["photos"]
    (tray,) = photo["trays"]
    expect(result).to_contain_text(f"Tray {tray['tray']}")
    overlay = page.locator("#results img")
    expect(overlay).to_have_js_property("complete", True)
    assert overlay.evaluate("image => image.naturalWidth") >= 1000
    page.get_by_role("link", name="All that this photo says").click()
    cover = f"{100 * tray['cover']['value']:.0f} %, give or take"
    expect(page.get_by_role("main")).to_contain_text(cover)
    expect(page.get_by_role("main")).to_contain_text("The smallest spot of mould")
