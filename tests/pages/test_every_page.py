"""What holds for every page: one heading, nothing from elsewhere, light, legible, by keyboard.

The pages come from the list of routers (`tests.pages.every_page`). One context with scripts and
one without walk all of them.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Response, expect

from tests.pages.conftest import PHONE, assert_accessible, assert_without_violation, open_page
from tests.pages.every_page import example, page_paths
from tests.pages.house import EVENING, House, served

# A page under 150 KB on first load, beside photos and charts.
_HEAVIEST_BYTES = 150_000
_BESIDE = ("image", "font", "media")
_ZOOMED = {"width": 320, "height": 640}
_MOST_TABS = 30

_SMALL_TEXT = """() => [...document.querySelectorAll('body *')].filter(one =>
  [...one.childNodes].some(node => node.nodeType === 3 && node.data.trim())
  && one.checkVisibility() && !one.closest('svg')
  && parseFloat(getComputedStyle(one).fontSize) < 16
).map(one => `${one.tagName} ${one.textContent.trim().slice(0, 40)}`)"""
_SMALL_TARGETS = """() => [...document.querySelectorAll('button, select, summary, a.act, a.quiet, '
  + 'input:not([type=hidden]):not([type=checkbox]):not([type=radio]), label.tick')].filter(one => {
  const box = one.getBoundingClientRect();
  return one.checkVisibility() && box.height > 0 && !one.closest('.hidden')
    && Math.min(box.width, box.height) < 47.5;
}).map(one => `${one.tagName} ${(one.textContent || one.name || '').trim().slice(0, 40)}`)"""
# Links that stand alone: beside words of the same line they are as small as these.
_SMALL_LINKS = """() => [...document.querySelectorAll('main a[href], nav a[href]')].filter(one => {
  const box = one.getBoundingClientRect();
  const words = [...one.parentElement.childNodes].some(node => node !== one
    && node.nodeType === 3 && node.data.trim());
  const whole = one.closest('.leads, .picture, .row');
  return one.checkVisibility() && box.height > 0 && !whole && !words
    && !one.closest('p:not(.links), li:not(:has(> a:only-child))')
    && Math.min(box.width, box.height) < 47.5;
}).map(one => one.textContent.trim().slice(0, 40))"""
_INLINE = """() => [...document.querySelectorAll('script:not([src]), style, [style]')].filter(one =>
  !(one.tagName === 'SCRIPT' && /json/.test(one.type))
).map(one => one.outerHTML.slice(0, 80))"""
# Each thing as it takes the focus, and whether that shows.
_FOLLOW_FOCUS = """() => {
  window.focused = [];
  document.addEventListener('focusin', ({ target: one }) => {
    const style = getComputedStyle(one);
    const marked = style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2;
    window.focused.push([marked, `${one.tagName} ${(one.textContent || one.name || '').trim()}`]);
  });
}"""
_DEAD_BUTTONS = """() => [...document.querySelectorAll('button')].filter(one =>
  one.checkVisibility() && !one.form).map(one => one.textContent.trim())"""


@dataclass
class Loaded:
    """What a page brought along."""

    asked: list[str] = field(default_factory=list)
    responses: list[Response] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def listen(self, page: Page) -> None:
        page.on("request", lambda request: self.asked.append(request.url))
        page.on("response", self._answered)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on(
            "console",
            lambda said: self.complaints.append(said.text) if said.type == "error" else None,
        )

    # A method of a list takes none of the marks that the browser's driver sets on handlers.
    def _answered(self, response: Response) -> None:
        self.responses.append(response)

    def forget(self) -> None:
        self.asked.clear()
        self.responses.clear()
        self.complaints.clear()

    def weight(self) -> dict[str, int]:
        return {
            one.url: len(one.body())
            for one in self.responses
            if one.request.resource_type not in _BESIDE and one.ok
        }


@pytest.fixture(scope="module")
def full_house(tmp_path_factory: pytest.TempPathFactory, furnished: Path) -> Iterator[House]:
    """The furnished room with somebody in it, a camera, and somebody to be told."""
    with served(tmp_path_factory.mktemp("full") / "data", furnished) as house:
        # Without a password, so that the room stays open.
        house.post("/api/people", name="Mara", role="worker")
        house.post("/api/cameras", name="Over the top shelf", kind="sends photos")
        house.post("/api/chores", kind="clean", title="Drain", planned_for=EVENING.isoformat())
        house.post("/api/notifications/targets", name="Mara", address="json://localhost:9/told")
        yield house


@pytest.fixture(scope="module")
def walker(browser: Browser, full_house: House) -> Iterator[tuple[Page, Loaded]]:
    page = open_page(browser, full_house, PHONE, scripts=True, worker=True)
    loaded = Loaded()
    loaded.listen(page)
    yield page, loaded
    page.context.close()


@pytest.fixture(scope="module")
def plain(browser: Browser, full_house: House) -> Iterator[Page]:
    page = open_page(browser, full_house, PHONE, scripts=False)
    yield page
    page.context.close()


def _address(path: str, house: House) -> str:
    """An address of a page; skips what is no page, such as a picture or a table to take along."""
    address = example(path, house)
    answer = house.client.get(address, headers={"accept": "text/html"}, follow_redirects=True)
    assert answer.status_code == 200, f"{address}: {answer.status_code} {answer.text[:300]}"
    if not answer.headers["content-type"].startswith("text/html"):
        pytest.skip(f"{address} is no page but {answer.headers['content-type']}")
    return address


def test_pages_are_found() -> None:
    assert {"/more", "/help", "/login"} <= set(page_paths())


@pytest.mark.parametrize("path", page_paths())
def test_page_holds_what_every_page_holds(
    walker: tuple[Page, Loaded], plain: Page, full_house: House, path: str
) -> None:
    address = _address(path, full_house)
    page, loaded = walker
    page.emulate_media(color_scheme="light")
    page.set_viewport_size({"width": PHONE["width"], "height": PHONE["height"]})
    loaded.forget()
    page.goto(address, wait_until="load")
    heading = page.get_by_role("heading", level=1)
    expect(heading).to_have_count(1)
    assert heading.inner_text().strip()
    assert page.title().strip()
    assert page.evaluate(_INLINE) == []
    own = (f"{full_house.address}/", "blob:", "data:")
    assert [url for url in loaded.asked if not url.startswith(own)] == []
    assert loaded.complaints == []
    weight = loaded.weight()
    assert sum(weight.values()) < _HEAVIEST_BYTES, weight
    assert_accessible(page)
    assert page.evaluate(_SMALL_TEXT) == []
    assert page.evaluate(_SMALL_TARGETS) == []
    assert page.evaluate(_SMALL_LINKS) == []
    _assert_focus_is_seen(page)
    _assert_legible_at_night_and_zoomed(page)
    _assert_usable_without_scripts(plain, address)


def _assert_focus_is_seen(page: Page) -> None:
    page.evaluate(_FOLLOW_FOCUS)
    for _ in range(_MOST_TABS):
        page.keyboard.press("Tab")
    focused = page.evaluate("window.focused")
    assert focused, f"{page.url}: nothing can be reached by keyboard"
    unseen = [name for marked, name in focused if not marked]
    assert unseen == [], f"{page.url}: nothing shows that these have the focus"


def _assert_legible_at_night_and_zoomed(page: Page) -> None:
    page.emulate_media(color_scheme="dark")
    assert_without_violation(page, {"type": "rule", "values": ["color-contrast"]})
    # A window of 640 px at 200 % has 320 px of the page's own.
    page.set_viewport_size({"width": _ZOOMED["width"], "height": _ZOOMED["height"]})
    too_wide = page.evaluate(
        "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    )
    assert too_wide <= 0, f"{page.url} at 200 % is {too_wide} px wider than the screen"


def _assert_usable_without_scripts(plain: Page, address: str) -> None:
    plain.goto(address)
    expect(plain.get_by_role("heading", level=1)).to_be_visible()
    assert plain.evaluate(_DEAD_BUTTONS) == [], "a button does nothing without scripts"
    assert plain.locator("main").inner_text().strip()
