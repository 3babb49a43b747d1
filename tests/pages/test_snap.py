"""Snap: photos taken with and without scripts, without a link, in bursts; none lost or doubled."""

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, FilePayload, Page, Request, Route, expect

from service.log.refusals import Busy
from service.photos.photo_log import PhotoSearch, photo_ids
from tests.pages.conftest import DESK, PHONE, assert_accessible, open_page
from tests.pages.house import EVENING, House
from tests.service.recorded_inspections import patch, photo_bytes, picture_saying

KEPT = """async () => {
  const store = await import("/static/photo_store.js");
  return (await store.kept()).length;
}"""

# What a page brings about by itself, looked up twenty times a second for ten seconds.
UNTIL = """async () => {
  for (let look = 0; look < 200; look += 1) {
    if (CONDITION) return true;
    await new Promise((resolve) => setTimeout(resolve, 50));
  }
  return false;
}"""


def picture(tray: int | None, note: str = "", **said: Any) -> FilePayload:
    """A file as a phone's camera hands it over."""
    shown = [] if tray is None else [{"number": tray, "drawn": True, "mould": [], **said}]
    content = photo_bytes(*shown, note=note) if shown else picture_saying(f"no tray {note}")
    return {"name": f"photo{note}.jpg", "mimeType": "image/jpeg", "buffer": content}


def known(house: House) -> list[Any]:
    photos: list[Any] = house.get("/api/photos?limit=1000")["photos"]
    return photos


def kept(page: Page) -> int:
    number: int = page.evaluate(KEPT)
    return number


def expect_nothing_kept(page: Page) -> None:
    assert page.evaluate(UNTIL.replace("CONDITION", f"(await ({KEPT})()) === 0"))
    expect(page.locator("#kept-photos")).to_be_hidden()


@pytest.fixture
def phone(browser: Browser, house: House) -> Iterator[Page]:
    """A phone that looks at `house`, with the worker that keeps and sends photos."""
    page = open_page(browser, house, PHONE, scripts=True, worker=True)
    yield page
    page.context.close()


@pytest.fixture
def snap(phone: Page) -> Page:
    """Snap, opened on a phone, its scripts at work."""
    phone.goto("/snap")
    expect(phone.locator("#snap.scripted")).to_be_visible()
    return phone


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "plain"])
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_snap_is_accessible(
    browser: Browser, shown_house: House, size: dict[str, int], scripts: bool
) -> None:
    page = open_page(browser, shown_house, size, scripts=scripts)
    page.goto("/snap")
    expect(page.get_by_role("heading", level=1)).to_have_text("Photograph a tray from above")
    if scripts:
        expect(page.locator("#snap.scripted")).to_be_visible()
        assert_accessible(page)
        box = page.get_by_role("button", name="Open the camera").bounding_box()
        assert box is not None and box["height"] >= 96
    else:
        expect(page.get_by_role("button", name="Send what was chosen")).to_be_visible()
    page.context.close()


def test_a_photo_gives_its_result_in_place(snap: Page, house: House) -> None:
    before = len(known(house))
    snap.get_by_label("Before").check()
    snap.get_by_label("Open the camera").set_input_files(
        picture(3, mould=[patch(12.0, 0.72)], score={"value": 41, "attention": "hold"})
    )
    result = snap.locator("#results > li")
    expect(result.locator(".said")).to_contain_text(
        "Tray 3, day 5 (6 from soaking): 41 of 100, one spot of 12 mm may be mould, likely, 7 in 10"
    )
    expect(result).to_contain_text("Hold: do not feed")
    expect(result.get_by_role("img")).to_have_js_property("complete", True)
    expect(snap.locator("#sending")).to_contain_text("Tray 3")
    assert_accessible(snap)
    newest = known(house)[0]
    assert (len(known(house)), newest["watering"]) == (before + 1, "before")
    expect_nothing_kept(snap)
    snap.reload()
    expect(snap.get_by_label("Before")).to_be_checked()
    # The same bytes again are the same photo.
    snap.get_by_label("Choose photos").set_input_files(
        picture(3, mould=[patch(12.0, 0.72)], score={"value": 41, "attention": "hold"})
    )
    expect(snap.locator("#results .said")).to_contain_text("41 of 100")
    assert len(known(house)) == before + 1
    snap.get_by_role("link", name="All that this photo says").click()
    expect(snap).to_have_url(f"{house.address}/photos/{newest['id']}")


class Posts:
    """Photos that pages of a browser send: how many, and how many at once."""

    def __init__(self) -> None:
        self.sent = self.under_way = self.most = 0

    def watch(self, page: Page) -> None:
        page.on("request", self._begins)
        page.on("requestfinished", self._ends)

    def _begins(self, request: Request) -> None:
        if request.method == "POST":
            self.sent += 1
            self.under_way += 1
            self.most = max(self.most, self.under_way)

    def _ends(self, request: Request) -> None:
        if request.method == "POST":
            self.under_way -= 1


def test_a_burst_is_taken_first_and_sent_one_by_one(snap: Page, house: House) -> None:
    posts = Posts()
    posts.watch(snap)
    before = len(known(house))
    burst = [picture(1 + number % 6, note=f"-{number}") for number in range(5)]
    snap.get_by_label("Choose photos").set_input_files(burst)
    expect(snap.locator("#results .said")).to_have_count(5)
    assert len(known(house)) == before + 5
    assert (posts.sent, posts.most) == (5, 1)
    expect_nothing_kept(snap)


def test_photos_taken_without_a_link_are_sent_once_when_it_is_back(
    snap: Page, house: House
) -> None:
    before = len(known(house))
    snap.context.set_offline(True)
    snap.get_by_label("Open the camera").set_input_files(picture(1, note="-a"))
    expect(snap.locator("#results > li")).to_contain_text("sent when the link is back")
    snap.get_by_label("Open the camera").set_input_files(picture(2, note="-b"))
    expect(snap.locator("#kept-photos")).to_have_text("2 photos wait for the link.")
    assert kept(snap) == 2
    assert_accessible(snap)
    snap.context.set_offline(False)
    expect(snap.locator("#results .said")).to_have_count(2)
    expect_nothing_kept(snap)
    assert len(known(house)) == before + 2


def test_every_page_tells_what_waits_and_sends_it(snap: Page, house: House) -> None:
    before = len(known(house))
    house.inspector.failures = [Busy("photo", "cannot be taken in now")] * 1000
    snap.get_by_label("Open the camera").set_input_files(picture(1, note="-elsewhere"))
    expect(snap.locator("#results > li")).to_contain_text("the room is busy")
    expect(snap.locator("#kept-photos")).to_have_text("1 photo waits: the room is busy.")
    snap.goto("/more")
    expect(snap.locator("#kept-photos")).to_contain_text("1 photo waits")
    assert len(known(house)) == before
    house.inspector.failures.clear()
    snap.reload()
    expect_nothing_kept(snap)
    assert len(known(house)) == before + 1


def test_a_room_that_fails_is_asked_again(snap: Page, house: House) -> None:
    before = len(known(house))
    house.inspector.failures = [RuntimeError("the disk is full"), Busy("photo", "must wait")]
    snap.get_by_label("Open the camera").set_input_files(picture(4, note="-again"))
    expect(snap.locator("#results .said")).to_be_visible(timeout=20_000)
    assert house.inspector.failures == []
    expect_nothing_kept(snap)
    assert len(known(house)) == before + 1


def test_a_photo_that_hangs_gives_way_to_the_next(phone: Page, house: House) -> None:
    phone.clock.install()
    phone.goto("/snap")
    expect(phone.locator("#snap.scripted")).to_be_visible()
    before = len(known(house))
    hung: list[Route] = []
    phone.route(
        "**/api/photos", lambda route: hung.append(route) if not hung else route.continue_()
    )
    photos = [picture(tray, note="-hangs") for tray in (1, 2)]
    with phone.expect_request("**/api/photos"):
        phone.get_by_label("Choose photos").set_input_files(photos)
    phone.clock.fast_forward(31_000)
    # The second is sent at once, the first when it is tried again.
    expect(phone.locator("#results .said")).to_have_count(2)
    expect_nothing_kept(phone)
    assert len(known(house)) == before + 2


def test_two_tabs_do_not_send_twice(snap: Page) -> None:
    posts = Posts()
    other = snap.context.new_page()
    posts.watch(snap)
    posts.watch(other)
    other.goto("/snap")
    expect(other.locator("#snap.scripted")).to_be_visible()
    photos = [picture(tray, note="-tabs") for tray in (1, 2, 3)]
    snap.get_by_label("Choose photos").set_input_files(photos)
    expect(snap.locator("#results .said")).to_have_count(3)
    expect_nothing_kept(other)
    assert (posts.sent, posts.most) == (3, 1)


def test_what_the_room_refuses_stays_with_its_reason(snap: Page, house: House) -> None:
    too_large: FilePayload = {
        "name": "large.jpg",
        "mimeType": "image/jpeg",
        "buffer": b"\0" * 1_000_001,
    }
    house.service.settings.__dict__["max_photo_bytes"] = 1_000_000
    snap.get_by_label("Open the camera").set_input_files(too_large)
    result = snap.locator("#results > li")
    expect(result).to_contain_text("must have at most 1 MB, but large.jpg has more")
    snap.reload()
    expect(result).to_contain_text("must have at most 1 MB")
    # It would be refused again however often it is sent.
    expect(result.get_by_role("button")).to_have_text(["Remove it here"])
    expect(snap.locator("#kept-photos")).to_contain_text("1 photo could not be taken in.")
    assert_accessible(snap)
    result.get_by_role("button", name="Remove it here").click()
    expect(snap.locator("#results > li")).to_have_count(0)
    expect_nothing_kept(snap)


def test_a_log_in_that_ended_keeps_the_photos(snap: Page, house: House) -> None:
    before = len(known(house))
    house.post("/api/people", name="Mara", role="owner", password="a long one to keep")
    snap.get_by_label("Open the camera").set_input_files(picture(5, note="-late"))
    line = snap.locator("#kept-photos")
    expect(line).to_contain_text("1 photo waits in this browser: the log-in has ended.")
    line.get_by_role("link", name="Log in to send them.").click()
    snap.get_by_label("Name").fill("Mara")
    snap.get_by_label("Password").fill("a long one to keep")
    snap.get_by_role("button", name="Log in").click()
    expect(snap).to_have_url(f"{house.address}/snap")
    expect(snap.locator("#results .said")).to_contain_text("Tray 5")
    expect_nothing_kept(snap)
    with house.service.database.read() as connection:
        assert len(photo_ids(connection, PhotoSearch(limit=1000))) == before + 1


def test_without_scripts_one_photo_leads_to_its_page(plain_phone: Page, house: House) -> None:
    plain_phone.goto("/snap")
    plain_phone.get_by_label("After").check()
    plain_phone.get_by_label("Open the camera").set_input_files(picture(2, note="-plain"))
    plain_phone.get_by_role("button", name="Send").click()
    expect(plain_phone.get_by_role("heading", level=1)).to_contain_text("Tray 2, day 5")
    newest = known(house)[0]
    expect(plain_phone).to_have_url(f"{house.address}/photos/{newest['id']}")
    assert newest["watering"] == "after"
    plain_phone.goto("/snap")
    expect(plain_phone.get_by_label("After")).to_be_checked()


def test_without_scripts_several_photos_lead_to_their_list(plain_phone: Page) -> None:
    plain_phone.goto("/snap")
    photos = [picture(1, note="-p1"), picture(None, note="-p2"), picture(3, note="-p3")]
    plain_phone.get_by_label("Choose photos").set_input_files(photos)
    plain_phone.get_by_role("button", name="Send").click()
    expect(plain_phone.get_by_role("heading", level=1)).to_contain_text("3 photos were taken in")
    expect(plain_phone.locator(".result")).to_have_count(3)
    expect(plain_phone.locator(".result").nth(1)).to_contain_text("No tray could be read")


def test_without_scripts_errors_say_what_to_do(plain_phone: Page, house: House) -> None:
    plain_phone.goto("/snap")
    plain_phone.get_by_role("button", name="Send").click()
    expect(plain_phone.get_by_role("alert")).to_contain_text("must be chosen first")
    house.service.settings.__dict__["max_photo_bytes"] = 1000
    large: FilePayload = {"name": "large.jpg", "mimeType": "image/jpeg", "buffer": b"\0" * 1001}
    plain_phone.get_by_label("Choose photos").set_input_files([picture(1, note="-ok"), large])
    plain_phone.get_by_role("button", name="Send").click()
    expect(plain_phone.get_by_role("alert")).to_contain_text("1 of the photos is kept: photo")
    expect(plain_phone.get_by_role("alert")).to_contain_text("at most 0.001 MB, but large.jpg")


def test_a_file_that_is_no_picture_is_refused_by_its_name(plain_phone: Page) -> None:
    plain_phone.goto("/snap")
    notes: FilePayload = {"name": "notes.txt", "mimeType": "text/plain", "buffer": b"soaked 2 kg"}
    plain_phone.get_by_label("Choose photos").set_input_files([notes])
    plain_phone.get_by_role("button", name="Send").click()
    expect(plain_phone.get_by_role("alert")).to_contain_text(
        "must be a picture (JPEG, PNG, WebP, HEIC or TIFF), but notes.txt is none"
    )


def test_a_photo_that_was_kept_long_is_dated_when_it_was_kept(house: House) -> None:
    content = photo_bytes({"number": 1, "mould": []}, note="kept")
    sent = house.client.post(
        "/api/photos",
        files=[("photo", ("kept.jpg", content, "image/jpeg"))],
        data={"kept_at": "2026-03-07T09:30:00+01:00"},
    )
    assert sent.json()["photos"][0]["taken_at"] == "2026-03-07T08:30:00Z"
    ahead = house.client.post(
        "/api/photos",
        files=[("photo", ("ahead.jpg", content + b" ", "image/jpeg"))],
        data={"kept_at": "2031-03-07T09:30:00+01:00"},
    )
    assert ahead.json()["photos"][0]["taken_at"] == f"{EVENING:%Y-%m-%dT%H:%M:%SZ}"


@pytest.mark.parametrize("password", [None, "a long one to keep"], ids=["open", "with a password"])
def test_snap_opens_without_a_link(phone: Page, house: House, password: str | None) -> None:
    snap = phone
    if password is not None:
        house.post("/api/people", name="Mara", role="owner", password=password)
        log_in = {"name": "Mara", "password": password}
        origin = {"Origin": house.address}
        assert snap.context.request.post("/api/login", data=log_in, headers=origin).ok
    snap.goto("/snap")
    expect(snap.locator("#snap.scripted")).to_be_visible()
    controlled = "navigator.serviceWorker.controller && (await caches.match('/snap'))"
    assert snap.evaluate(UNTIL.replace("CONDITION", controlled))
    snap.context.set_offline(True)
    snap.goto("/snap")
    expect(snap.get_by_text("There is no link to the room.")).to_be_visible()
    expect(snap.locator("#snap.scripted")).to_be_visible()
    snap.get_by_label("Open the camera").set_input_files(picture(6, note="-reloaded"))
    expect(snap.locator("#kept-photos")).to_have_text("1 photo waits for the link.")
    snap.reload()
    expect(snap.locator("#kept-photos")).to_have_text("1 photo waits for the link.")
    snap.context.set_offline(False)
    expect(snap.locator("#results .said")).to_contain_text("Tray 6")
    expect_nothing_kept(snap)
