"""The journeys by keyboard alone, and what a screen reader is handed on the way.

Listened to with a screen reader first; what sounded bad there is held here by the browser's own
accessibility tree.
"""

import re
from collections import Counter
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, FilePayload, Page, expect

from tests.pages.conftest import DESK, open_page
from tests.pages.house import House
from tests.pages.spoken import focused, heading, tab_to, tree
from tests.pages.test_corners import send_unread
from tests.pages.test_snap import picture

# What Tab stops at, with the elements that a control such as a date field has inside left out.
_STOPS = """() => [...document.querySelectorAll(
  "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']"
)].filter(one => one.checkVisibility()).length"""
# Whether Tab has left the page, or has begun with it again.
_ROUND = """() => document.activeElement === document.body
  || document.activeElement.textContent.trim() === 'Skip to the page'"""
# What is said while something goes on, in its order.
_LISTEN = """() => {
  window.aloud = [];
  const line = document.querySelector("#sending, .photos [aria-live]");
  new MutationObserver(() => window.aloud.push(line.textContent))
    .observe(line, { childList: true, characterData: true, subtree: true });
}"""


def starting(words: str) -> re.Pattern[str]:
    return re.compile(f"^{re.escape(words)}")


@pytest.fixture
def shown_desk(browser: Browser, shown_house: House) -> Iterator[Page]:
    """A desk's browser that only looks."""
    page = open_page(browser, shown_house, DESK, scripts=True)
    yield page
    page.context.close()


def test_a_photo_is_taken_and_its_result_is_told(desk: Page) -> None:
    photo = picture(2, score={"value": 84, "attention": "quiet"})
    # Listened for from the start: a window that opens before anybody listens is lost.
    desk.on("filechooser", lambda chooser: chooser.set_files(photo))
    desk.goto("/")
    tab_to(desk, "Snap")
    desk.keyboard.press("Enter")
    heading(desk, "Photograph a tray from above")
    expect(desk.locator("#snap.scripted")).to_be_visible()
    desk.evaluate(_LISTEN)
    # Chromium's own file field would add "No file chosen", also when one was just sent.
    assert tab_to(desk, "Open the camera").name == "Open the camera"
    desk.keyboard.press("Enter")
    expect(desk.get_by_role("status").filter(has_text="84 of 100")).to_be_visible()
    aloud = desk.evaluate("window.aloud")
    assert "Photo 1: sent; the room measures it" in aloud
    assert aloud[-1].startswith("Photo 1. Tray 2, day 5 (6 from soaking): 84 of 100")
    tab_to(desk, "All that this photo says")
    desk.keyboard.press("Enter")
    heading(desk, "Tray 2, day 5 (6 from soaking): 84 of 100")
    picture_of = desk.get_by_role("main").get_by_role("img").first
    # Its heading says what it shows: once is enough.
    expect(picture_of).to_have_accessible_name(
        "Photo of today 18:00, with what was measured drawn on it"
    )


def test_a_photo_that_was_refused_is_told_and_removed_without_losing_the_place(
    desk: Page,
) -> None:
    empty: FilePayload = {"name": "empty.jpg", "mimeType": "image/jpeg", "buffer": b""}
    desk.on("filechooser", lambda chooser: chooser.set_files(empty))
    desk.goto("/snap")
    expect(desk.locator("#snap.scripted")).to_be_visible()
    desk.evaluate(_LISTEN)
    tab_to(desk, "Choose photos from this device")
    desk.keyboard.press("Space")
    expect(desk.get_by_role("button", name="Remove it here")).to_be_visible()
    assert any(one.startswith("Photo 1: not taken in.") for one in desk.evaluate("window.aloud"))
    tab_to(desk, "Remove it here")
    desk.keyboard.press("Enter")
    expect(desk.locator("#sending")).to_have_text("Photo 1 was removed here.")
    assert focused(desk).name == "Open the camera"


def test_growth_is_compared_shelf_by_shelf(shown_desk: Page) -> None:
    shown_desk.goto("/")
    tab_to(shown_desk, "Shelves")
    shown_desk.keyboard.press("Enter")
    heading(shown_desk, "Tray 6 lags behind")
    tab_to(shown_desk, "Bottom shelf")
    shown_desk.keyboard.press("Enter")
    heading(shown_desk, "Bottom shelf")
    # Heights of the last photos as `furnish` has them: 70 mm, and 0.4 of it on tray 6.
    chart = shown_desk.get_by_role("img", name="Chart of the height over days").first
    expect(chart).to_have_accessible_name(
        "Chart of the height over days since spreading on Bottom shelf: 3 runs growing, no runs "
        "finished. The last photos show tray 4 7.0 cm on day 5.3, tray 5 7.0 cm on day 5.3, "
        "tray 6 2.8 cm on day 5.3."
    )
    tab_to(shown_desk, "The same height by age as a table")
    shown_desk.keyboard.press("Enter")
    expect(shown_desk.get_by_role("region", name="Height by age")).to_be_visible()
    assert tab_to(shown_desk, "Height by age").role == "region"
    tab_to(shown_desk, "Tray 6")
    shown_desk.keyboard.press("Enter")
    heading(shown_desk, "Tray 6")


def test_a_mould_warning_is_heard_answered_and_undone(desk: Page) -> None:
    desk.goto("/")
    look = tab_to(desk, "Tray 3: possible mould")
    assert look.role == "article"
    assert (
        "ringed: 120 mm towards bar A and 60 mm" in tab_to(desk, "Tray 3 from above, ringed").name
    )
    assert tab_to(desk, "It is mould: hold it").name == "It is mould: hold it (tray 3)"
    desk.keyboard.press("Enter")
    heading(desk, "Tray 3: possible mould, on hold")
    expect(desk.get_by_role("status").filter(has_text="Tray 3")).to_be_focused()
    desk.keyboard.press("Tab")
    assert focused(desk).name == "Undo"
    desk.keyboard.press("Enter")
    expect(desk.get_by_role("status").filter(has_text="Undone")).to_be_focused()


def test_a_tray_is_harvested_in_the_room_and_taken_back(desk: Page, house: House) -> None:
    desk.goto("/room")
    # The whole tile can be touched, and reads as one short link.
    assert tab_to(desk, "Tray 4").name == "Tray 4"
    desk.keyboard.press("Enter")
    heading(desk, "Tray 4")
    tab_to(desk, "Harvest tray 4")
    desk.keyboard.press("Enter")
    tab_to(desk, "Weight")
    desk.keyboard.type("3.1")
    tab_to(desk, "Write it down")
    desk.keyboard.press("Space")
    expect(desk.get_by_role("status").filter(has_text="Tray 4")).to_be_focused()
    assert house.get("/api/trays/4")["run"] is None
    desk.keyboard.press("Tab")
    desk.keyboard.press("Enter")
    expect(desk.get_by_role("status").filter(has_text="Undone")).to_be_focused()
    assert house.get("/api/trays/4")["run"] is not None


def test_photos_of_a_run_are_walked_by_key_and_told(shown_desk: Page) -> None:
    shown_desk.goto("/trays/1")
    tab_to(shown_desk, "Slide through the days")
    slider = shown_desk.locator(":focus")
    told = "day 5 (6 from soaking), today 17:01. 98 % covered"
    expect(slider).to_have_attribute("aria-valuetext", starting(told))
    shown_desk.keyboard.press("ArrowLeft")
    told = "day 4 (5 from soaking), yesterday 17:01. 80 % covered"
    expect(slider).to_have_attribute("aria-valuetext", starting(told))
    shown_desk.evaluate(_LISTEN)
    tab_to(shown_desk, "Show what was read")
    shown_desk.keyboard.press("Enter")
    assert shown_desk.evaluate("window.aloud") == ["Photo of tray 1 with what was read drawn in"]
    tab_to(shown_desk, "Earlier photo", back=True)
    shown_desk.keyboard.press("Enter")
    told = shown_desk.evaluate("window.aloud")[-1]
    assert told.startswith("day 3 (4 from soaking), Thursday 5 March 17:01. 60 % covered")
    # The first photo has none before it: the link goes, and the keyboard keeps its place.
    shown_desk.keyboard.press("Enter")
    expect(shown_desk.get_by_role("link", name="Earlier photo")).to_have_count(0)
    assert focused(shown_desk).name == "Slide through the days"


def test_corners_move_by_arrow_keys_and_say_where_they_are(desk: Page, house: House) -> None:
    desk.goto(f"/photos/{send_unread(house)}/corners")
    expect(desk.locator("#stage")).to_be_visible()
    corner = tab_to(desk, "near left corner")
    # To a slider a screen reader leaves the arrow keys; of a button it would take them away.
    assert corner.role == "slider"
    mark = desk.locator(":focus")
    expect(mark).to_have_attribute("aria-valuetext", "15 % from the left, 85.3 % from the top")
    desk.keyboard.press("ArrowRight")
    desk.keyboard.press("ArrowUp")
    # By hand: 64 of 399 px and 252 of 299 px.
    expect(mark).to_have_attribute("aria-valuetext", "16 % from the left, 84.3 % from the top")
    for name in ("near right corner", "far right corner", "far left corner"):
        desk.keyboard.press("Tab")
        assert focused(desk).name == name


def test_a_field_is_named_in_short_and_then_says_its_rule_and_its_hint(desk: Page) -> None:
    desk.goto("/set-up/room")
    tab_to(desk, "Spreading")
    desk.keyboard.press("Space")
    grain = tab_to(desk, "Grain")
    assert (grain.name, grain.description) == ("Grain", "Such as barley, wheat, oats, maize.")
    tab_to(desk, "Harvest by day")
    desk.keyboard.type("soon")
    desk.keyboard.press("Enter")
    expect(desk.get_by_role("alert")).to_be_focused()
    field = tab_to(desk, "Harvest by day")
    assert field.value == "soon"
    assert field.description.startswith("target day must be a number, got 'soon'")
    assert field.description.endswith("Without either, no harvest is forecast.")
    desk.goto("/entries/runs/1")
    # Of a date each of its parts would begin with the hint.
    desk.get_by_label("Soaked from").focus()
    part = focused(desk)
    hint = "empty: not known; left alone it moves with the spreading"
    assert (hint in part.name, part.description) == (False, hint)


@pytest.mark.parametrize("path", ["/", "/room", "/trays/3", "/shelves"])
def test_what_is_heard_alone_is_told_apart(shown_desk: Page, path: str) -> None:
    shown_desk.goto(path)
    heard = tree(shown_desk)
    buttons = Counter(one.name for one in heard if one.role in ("button", "DisclosureTriangle"))
    assert [name for name, number in buttons.items() if number > 1] == []
    assert all(buttons), "a button without a name"
    # A part that has a heading is found by it; as a landmark of that name all would be said twice.
    headings = {one.name for one in heard if one.role == "heading"}
    assert headings.isdisjoint(one.name for one in heard if one.role == "region")
    assert all(len(one.name) < 130 for one in heard if one.role == "link")


@pytest.mark.parametrize("path", ["/", "/snap", "/trays/3", "/shelves", "/set-up/room"])
def test_the_keyboard_is_trapped_nowhere(shown_desk: Page, path: str) -> None:
    shown_desk.goto(path)
    stops = shown_desk.evaluate(_STOPS)
    shown_desk.keyboard.press("Tab")
    assert focused(shown_desk).name == "Skip to the page"
    # Six parts of a date and time each take a stop of their own.
    for _ in range(7 * stops):
        shown_desk.keyboard.press("Tab")
        if shown_desk.evaluate(_ROUND):
            return
    raise AssertionError(f"{path}: after {7 * stops} Tabs still on {focused(shown_desk)}")
