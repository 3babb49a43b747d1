"""The pages of setting up: what they show, take, keep and refuse."""

import json
import re
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx2
import pytest
from playwright.sync_api import Browser, Page, expect

from service.pages.notices import Entry, done
from service.pages.set_up.rack_changes import MOST_AT_ONCE
from service.photos.pose_records import POSES_NAME
from tests.pages.conftest import DESK, PHONE, assert_accessible, open_page
from tests.pages.house import EVENING, House
from tests.service.picture_servers import http_camera, jpeg, sends
from tests.service.recorded_inspections import photo_bytes

PATHS = (
    *("", "/room", "/units", "/racks", "/racks/1", "/shelves/1", "/trays", "/trays/1"),
    *("/lots", "/lots/1", "/kit", "/shelf-camera", "/cameras", "/cameras?kind=snapshot"),
    *("/people", "/phones", "/password", "/messages", "/data"),
)
# What `test_every_page` walks on a phone has somebody, a camera and a message in it.
OTHERWISE_ON_PHONES = ("/cameras", "/cameras?kind=snapshot", "/people", "/password", "/messages")


def _post(house: House, path: str, **fields: Any) -> Any:
    """Sends a form as a browser does."""
    headers = {"accept": "text/html", "origin": house.address}
    return house.client.post(f"/set-up{path}", data=fields, headers=headers)


def _saved(house: House, path: str, **fields: Any) -> str:
    answer = _post(house, path, **fields)
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"])


def _page(house: House, path: str) -> str:
    answer = house.client.get(f"/set-up{path}", headers={"accept": "text/html"})
    assert answer.status_code == 200, answer.text
    return str(answer.text)


def _heading(text: str) -> str:
    found = re.search(r"<h1>(.*?)</h1>", text, re.DOTALL)
    assert found is not None
    return found[1].strip()


def _undo(house: House, shown: str) -> None:
    entries = re.findall(r'name="entry" value="([a-z_]+:\d+)"', shown)
    assert entries
    assert house.client.post("/undo", data={"entry": entries}).status_code == 303


@pytest.mark.parametrize(
    ("size", "paths"), [(PHONE, OTHERWISE_ON_PHONES), (DESK, PATHS)], ids=["phone", "desk"]
)
def test_all_pages_are_accessible(
    browser: Browser, shown_house: House, size: dict[str, int], paths: tuple[str, ...]
) -> None:
    page = open_page(browser, shown_house, size, scripts=True)
    for path in paths:
        page.goto(f"/set-up{path}")
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        assert_accessible(page)
    page.context.close()


def test_browser_offers_its_time_zone(phone: Page, house: House) -> None:
    house.client.patch("/api/room", json={"time_zone": "UTC"})
    phone.goto("/set-up/room")
    phone.get_by_role("button", name="Use Europe/Vienna, as this browser says").click()
    expect(phone.get_by_label("Time zone")).to_have_value("Europe/Vienna")


def test_units_change_how_pages_read_and_not_what_is_kept(house: House) -> None:
    before = house.get("/api/room")
    units = {"temperature_unit": "°F", "weight_unit": "lb", "volume_unit": "US gal"}
    _saved(house, "/units", **units, length_unit="in")
    # 150 mm / 25.4 = 5.9 in; 25 kg / 0.45359237 = 55.12 lb.
    shown = _page(house, "/room")
    assert 'name="target_height" type="text" value="5.9"' in shown
    assert "55.12 lb" in _page(house, "/lots")
    fields = {"name": before["name"], "time_zone": before["time_zone"], "day_zero": "spread"}
    typed = {"grain": "wheat", "tray_size": "540x280x60", "tray_size_unit": "mm"}
    _saved(house, "/room", **fields, **typed, target_height="5.9", target_day="8")
    after = house.get("/api/room")
    # What was left as it was shown is kept to the last digit.
    assert after["target_shoot_height_mm"] == before["target_shoot_height_mm"] == 150.0
    assert after["grain"] == "wheat"


@pytest.mark.parametrize(
    ("field", "typed", "rule"),
    [
        ("name", "", "name"),
        ("tray_size", "540x280", "must be length x width x depth"),
        ("tray_size", "54x28x6", "was the unit right?"),
        ("target_height", "9000", "must be above 0 and at most 200.0 cm, got 9000"),
        ("target_height", "high", "must be a number, got &#39;high&#39;"),
        ("day_zero", "", "must be chosen: from when do you count the days?"),
        ("photo_every_hours", "0", "more than 0"),
    ],
)
def test_broken_rules_keep_what_was_typed(house: House, field: str, typed: str, rule: str) -> None:
    before = house.get("/api/room")
    good = {"name": "Barn", "time_zone": "UTC", "day_zero": "soak", "grain": "Oats, 2nd try"}
    more = {"tray_size": "540x280x60", "target_height": "15", "photo_every_hours": "24"}
    answer = _post(house, "/room", **{**good, **more, field: typed})
    if field == "name":
        # Nothing typed is the same as not there: the name stays.
        assert (answer.status_code, house.get("/api/room")["name"]) == (303, before["name"])
        return
    assert answer.status_code == 422
    assert rule in answer.text
    assert 'value="Oats, 2nd try"' in answer.text
    assert house.get("/api/room") == before


def test_a_rack_comes_with_shelves_and_places_and_goes_with_one_undo(house: House) -> None:
    to = _saved(house, "/racks", name="Second rack", shelves="6", places="12", note="by the tap")
    shown = house.client.get(to).text
    assert _heading(shown) == "2 racks, the top shelf first"
    assert "6. Shelf 6</a></strong> <span>12 places" in shown
    assert len(house.get("/api/positions")) == 72
    _undo(house, shown)
    assert len(house.get("/api/racks")) == 1
    assert house.get("/api/positions") == []


def test_undo_of_as_many_as_may_be_entered_fits_into_a_cookie() -> None:
    undo = [Entry("position", 999_999)] * MOST_AT_ONCE
    cookie = done("/set-up/racks", "Rack is entered.", undo=undo).headers["set-cookie"]
    # RFC 6265, section 6.1: at least 4096 bytes a cookie, its attributes counted.
    assert len(cookie) < 4096


def test_too_many_places_at_once_are_refused_with_the_reason(house: House) -> None:
    answer = _post(house, "/racks", name="Hall", shelves="12", places="24")
    assert answer.status_code == 422
    assert f"must be at most {MOST_AT_ONCE} at once" in answer.text
    assert 'value="Hall"' in answer.text


def test_shelves_are_reordered_renamed_watered_and_withdrawn(house: House) -> None:
    _saved(house, "/racks", name="Rack", shelves="2", places="2")
    rack_id = house.get("/api/racks")[-1]["id"]
    top, low = (one for one in house.get("/api/shelves") if one["rack_id"] == rack_id)
    levels = {f"level-{top['id']}": "2", f"level-{low['id']}": "1"}
    _saved(house, f"/racks/{rack_id}/order", **levels)
    assert house.get(f"/api/shelves/{top['id']}")["level"] == 2
    wrong = _post(house, f"/racks/{rack_id}/order", **{f"level-{top['id']}": "first"})
    assert "number of Shelf 1</strong> must be a number, got &#39;first&#39;" in wrong.text
    same = _post(house, f"/racks/{rack_id}/order", **dict.fromkeys(levels, "1"))
    assert "must be another one for each shelf, got one twice" in same.text
    said = {"name": "Low", "level": "2", "rack_id": rack_id, "water_path": "pump 2, left line"}
    _saved(house, f"/shelves/{top['id']}", **said)
    assert "water: pump 2, left line" in _page(house, "/racks")
    first, second = (one for one in house.get("/api/positions") if one["shelf_id"] == top["id"])
    names = {f"name-{first['id']}": "by the wall", f"name-{second['id']}": ""}
    _saved(house, f"/shelves/{top['id']}/names", **names)
    places = [one["name"] for one in house.get("/api/positions") if one["shelf_id"] == top["id"]]
    assert places == ["by the wall"]
    to = _saved(house, f"/racks/{rack_id}/withdraw")
    assert len(house.get("/api/racks")) == 1
    _undo(house, house.client.get(to).text)
    assert house.get(f"/api/shelves/{top['id']}")["name"] == "Low"


def test_a_shelf_that_trays_stood_on_is_not_withdrawn(house: House) -> None:
    answer = _post(house, "/shelves/1/withdraw")
    assert answer.status_code == 409
    assert "rename it instead" in answer.text


def test_trays_are_registered_sized_and_registered_again_after_an_undo(house: House) -> None:
    to = _saved(house, "/trays", numbers="20-22, 30", tray_size="60x40x6", tray_size_unit="cm")
    shown = house.client.get(to).text
    assert house.get("/api/trays/30")["size"] == "600x400x60"
    _undo(house, shown)
    assert house.client.get("/api/trays/30").status_code == 404
    _saved(house, "/trays", numbers="30")
    _saved(house, "/trays/30", tray_size="500x300x50", note="the blue one")
    shown = _page(house, "/trays")
    assert _heading(shown) == "7 trays registered, 89 numbers free"
    assert "500 x 300 x 50 mm, the blue one" in shown
    answer = _post(house, "/trays", numbers="5-8")
    assert "must be free, but 5–6 are in use" in answer.text
    for typed, rule in (("96", "from 0 to 95"), ("3-1", "such as 1-12, 20"), ("8, 8", "once")):
        assert rule in _post(house, "/trays", numbers=typed).text


def test_lots_are_entered_counted_and_corrected(house: House) -> None:
    said = {"name": "Oats, spring", "weight": "12,5", "received_at": "2026-03-01"}
    counted = {"seeds_counted": "50", "seeds_germinated": "47"}
    _saved(house, "/lots", **said, **counted, supplier="Mill by the river (invented)")
    lot = house.get("/api/lots")[-1]
    assert (lot["weight_kg"], lot["germination_share"]) == (12.5, 0.94)
    # Midnight in Vienna, winter time.
    assert lot["received_at"] == "2026-02-28T23:00:00Z"
    _saved(house, f"/lots/{lot['id']}", **said, keep_count="yes", note="second half of the bag")
    assert house.get(f"/api/lots/{lot['id']}")["germination_share"] == 0.94
    answer = _post(house, "/lots", name="Rye", seeds_counted="50", seeds_germinated="51")
    assert "must not exceed those counted, 50: 51" in answer.text
    assert "rename it instead" in _post(house, "/lots/1/withdraw").text


def test_kit_is_refused_in_words_and_of_one_size(house: House) -> None:
    pdf = house.client.get("/set-up/kit/kit.pdf", params={"trays": "1-2", "level": "1"})
    assert (pdf.headers["content-type"], pdf.content[:5]) == ("application/pdf", b"%PDF-")
    _saved(house, "/trays/2", tray_size="600x400x60")
    for asked, rule in (
        ({"trays": "1-2", "level": "1"}, "must be of one size in one print"),
        ({"trays": "1"}, "must be at least one of the three"),
        ({"trays": "1", "level": "1", "paper": "a5"}, "must be one of a4, letter"),
        ({"trays": "1", "level": "1", "lens_angle": "5"}, "must be from 10 to 170"),
        ({"trays": "1", "level": "1", "shelf_pitch": "3"}, "must be above 4.0 cm"),
    ):
        answer = house.client.get("/set-up/kit/kit.pdf", params=asked)
        assert answer.status_code == 422
        assert rule in answer.text


def test_a_camera_under_the_next_shelf_is_blind_from_a_day(empty_house: House) -> None:
    # By the pinhole: 540 mm at 90 degrees need 270 mm and 280 mm along the short side of a 4:3
    # picture 187 mm, so of 360 mm above the floor 90 mm are left: barley's day 6 is 120 mm high.
    assert _heading(_page(empty_house, "/shelf-camera")) == (
        "It sees the whole tray until day 5 and is blind from day 6, by a typical barley tray."
    )
    wide = _page(empty_house, "/shelf-camera?shelf_pitch=60&lens_angle=110")
    assert _heading(wide) == "It sees the whole tray up to day 8, by a typical barley tray."
    low = _page(empty_house, "/shelf-camera?shelf_pitch=20")
    assert _heading(low) == "Not even the empty tray fits into its picture."
    broken = empty_house.client.get("/set-up/shelf-camera?lens_angle=5")
    assert broken.status_code == 422
    assert "must be from 10 to 170" in broken.text


def test_shelf_camera_goes_by_the_rooms_own_canopy(house: House) -> None:
    # In the middle of six trays 85 mm on day 5, the last that is known: 70 of shoots, 15 of roots.
    assert _heading(_page(house, "/shelf-camera")) == (
        "It sees the whole tray up to day 5, by this room&#39;s own trays."
    )


def test_live_check_takes_a_picture_and_says_what_it_shows(desk: Page, house: House) -> None:
    with http_camera(sends(jpeg(3))) as camera:
        desk.goto("/set-up/cameras")
        desk.get_by_role("link", name="Gives one picture at a web address").click()
        desk.get_by_label("Name").first.fill("Top shelf, left")
        desk.get_by_label("Address of the picture").fill(camera.address("mara:secret-word@"))
        desk.get_by_label("Water runs at").fill("07:00 4\n19:00 for 4 min")
        desk.get_by_label("Lamps are on").fill("06:00 to 22:00")
        desk.get_by_role("button", name="Enter the camera").click()
        heading = desk.get_by_role("heading", level=1)
        expect(heading).to_contain_text("no photo yet: whether it can see the kit cannot be told")
        desk.get_by_role("button", name="Take a picture now").click()
        expect(desk.get_by_role("status")).to_contain_text("A picture was taken just now")
        expect(heading).to_contain_text("no tray can be read in the last one")
        expect(desk.get_by_role("img", name="What the camera saw today 18:00")).to_be_visible()
        assert_accessible(desk)
        assert "secret-word" not in desk.content()
        # The address is left as it is shown, so its password is kept.
        desk.get_by_label("Name").first.fill("Top shelf")
        desk.get_by_role("button", name="Save the camera").click()
        expect(desk.get_by_role("status")).to_contain_text("Top shelf is corrected")
        desk.get_by_role("button", name="Take a picture now").click()
        expect(desk.get_by_role("status")).to_contain_text("the same picture as before")
    desk.get_by_role("button", name="Take a picture now").click()
    expect(heading).to_contain_text(
        "It gave no photo at its last try: refuses the connection", ignore_case=True
    )
    options = house.get("/api/cameras")[0]["options"]
    assert options["water_cycles"][1] == {"at": "19:00", "minutes": 4.0}
    assert options["lights"] == [{"on": "06:00", "off": "22:00"}]


def _sent(house: House, note: str, **said: Any) -> Any:
    content = photo_bytes({"number": 5, "drawn": True, "mould": [], **said}, note=note)
    answer = house.client.post(
        "/api/photos",
        files=[("photo", ("tray-5.jpg", content, "image/jpeg"))],
        data={"taken_at": f"2026-03-07T1{note}:00:00+00:00", "camera": "Stand"},
    )
    assert answer.status_code == 201
    return answer.json()["photos"][0]


def test_a_cameras_photos_say_how_it_sees(house: House) -> None:
    to = _saved(house, "/cameras", kind="sends photos", name="Stand", also_at="")
    corners = {"30": [[100.0, 100.0]] * 4, "31": [[300.0, 100.0]] * 4}
    _sent(house, "4", corners_px=corners)
    moved = {"30": [[180.0, 100.0]] * 4, "31": [[380.0, 100.0]] * 4}
    photo = _sent(house, "5", corners_px=moved, smallest_patch_mm=7.5, doubts=["fogged"])
    shown = house.client.get(to).text
    assert _heading(shown) == "Stand: it sees tray 5."
    # 80 px of half a millimetre each.
    assert "by about 40 mm since the photo before: the camera, or the tray" in shown
    assert "0.50 mm a pixel" in shown
    assert "7.5 mm across: a mould&#39;s first spots are smaller" in shown
    assert "about 50.0 cm above the rim" in shown
    assert "cannot tell: its photos do not show how wide the lens looks" in shown
    # A lens that sees 90 degrees along its long side: half of it is as long as the focal length.
    lens = {"width": 4000, "height": 3000, "fx": 2000.0, "fy": 2000.0}
    poses = house.service.store.derived(photo["sha256"], POSES_NAME)
    poses.write_text(json.dumps([{"camera": lens}]))
    # 560 mm above the floor less the 270 mm that the tray's length takes: 290 mm are seen.
    assert "It sees the whole tray up to day 5" in house.client.get(to).text
    kept = _post(house, f"{to.removeprefix('/set-up')}/withdraw")
    assert (kept.status_code, "untick “In use” instead" in kept.text) == (409, True)


def test_a_camera_over_another_shelf_than_was_said_is_asked_about(house: House) -> None:
    over_top = _saved(house, "/cameras", kind="sends photos", name="Stand", shelf_id="1")
    _sent(house, "4")
    assert (
        "tray 5 on Bottom shelf. Does it look at another shelf, or was something moved and not "
        "written down?" in house.client.get(over_top).text
    )
    camera = house.get("/api/cameras")[0]["id"]
    assert house.client.patch(f"/api/cameras/{camera}", json={"shelf_id": 2}).status_code == 200
    assert "By the log elsewhere" not in house.client.get(over_top).text


def test_a_sending_cameras_token_is_shown_once_and_sends(house: House) -> None:
    to = _saved(house, "/cameras", kind="sends photos", name="Stand", also_at="")
    answer = _post(house, f"{to.removeprefix('/set-up')}/token")
    assert answer.headers["cache-control"] == "no-store"
    secret = re.search(r"trayvision_[\w-]{43}", answer.text)
    assert secret is not None
    assert f'-F "camera=Stand" -F "photo=@picture.jpg" {house.address}/api/photos' in (
        answer.text.replace("&#34;", '"')
    )
    assert secret[0] not in house.client.get(to).text + _page(house, "/people")
    key = {"Authorization": f"Bearer {secret[0]}"}
    assert house.client.get("/api/photos", headers=key).status_code == 403
    _saved(house, "/tokens/1/revoke")
    assert house.client.get("/api/photos", headers=key).status_code == 401


def _close(house: House) -> None:
    said = {"name": "Mara", "role": "owner", "password": "oats before noon"}
    answer = _post(house, "/people", **said, password_again=said["password"])
    assert answer.headers["location"] == "/set-up/phones"


def test_people_are_let_in_given_tokens_and_let_out(house: House) -> None:
    worker = {"name": "Jonas", "role": "worker", "password": "bucket by the tap"}
    again = {"password_again": worker["password"]}
    first = _post(house, "/people", **worker, **again)
    assert first.status_code == 409
    assert "must first be set for an active owner" in first.text
    assert worker["password"] not in first.text
    _close(house)
    assert house.get("/api/me")["person"]["name"] == "Mara"
    _saved(house, "/people", **worker, **again)
    person = next(one for one in house.get("/api/people") if one["name"] == "Jonas")
    path = f"/people/{person['id']}"
    made = _post(house, f"{path}/tokens", token_name="Script", token_role="read-only")
    assert "trayvision_" in made.text
    _saved(house, f"{path}/log-out")
    _saved(house, path, name="Jonas", role="worker")
    assert house.get(f"/api/people/{person['id']}")["active"] is False
    assert "Script" not in _page(house, "/people")
    assert "Jonas, worker, inactive" in _page(house, path)
    me = f"/people/{house.get('/api/me')['person']['id']}"
    last = _post(house, me, name="Mara", role="worker", active="yes")
    assert "no other active owner has a password" in last.text


def test_one_browser_is_logged_out_and_the_others_stay(house: House) -> None:
    _close(house)
    me = house.get("/api/me")["person"]["id"]
    (mine,) = house.get(f"/api/people/{me}/sessions")
    other = httpx2.Client(base_url=house.address)
    login = {"name": "Mara", "password": "oats before noon"}
    assert other.post("/api/login", json=login).status_code == 200
    lost = next(one for one in house.get(f"/api/people/{me}/sessions") if one["id"] != mine["id"])
    shown = _page(house, f"/people/{me}")
    assert f"/sessions/{lost['id']}/end" in shown
    # The browser that asks has its own way out.
    assert "This browser" in shown
    assert f"/sessions/{mine['id']}/end" not in shown
    guest = {"name": "Jonas", "role": "worker", "password": "bucket by the tap"}
    _saved(house, "/people", **guest, password_again=guest["password"])
    jonas = next(one["id"] for one in house.get("/api/people") if one["name"] == "Jonas")
    assert _post(house, f"/people/{jonas}/sessions/{lost['id']}/end").status_code == 404
    assert other.get("/api/me").status_code == 200
    assert _saved(house, f"/people/{me}/sessions/{lost['id']}/end") == f"/set-up/people/{me}"
    assert other.get("/api/me").status_code == 401
    assert house.get("/api/me")["person"]["id"] == me
    assert "In no browser" in _page(house, f"/people/{jonas}")
    other.close()


def test_own_password_is_changed_and_others_are_logged_out(house: House) -> None:
    _close(house)
    wrong = {"current": "not this one", "password": "rye after dusk"}
    answer = _post(house, "/password", **wrong, password_again="rye after dusk")
    assert "is not your password until now" in answer.text
    right = wrong | {"current": "oats before noon"}
    assert "must be the same" in _post(house, "/password", **right, password_again="x").text
    _saved(house, "/password", **right, password_again="rye after dusk")
    assert house.get("/api/me")["person"]["name"] == "Mara"
    assert _saved(house, "/password/log-out-everywhere") == "/login"
    assert house.client.get("/api/me").status_code == 401


def test_who_only_reads_sees_no_forms(house: House) -> None:
    _close(house)
    said = {"name": "Guest", "role": "read-only", "password": "looking only here"}
    _saved(house, "/people", **said, password_again=said["password"])
    house.client.cookies.clear()
    login = {"name": "Guest", "password": said["password"]}
    headers = {"origin": house.address}
    assert house.client.post("/login", data=login, headers=headers).status_code == 303
    for path in ("/room", "/units", "/racks", "/racks/1", "/shelves/1", "/trays", "/lots/1"):
        assert 'method="post"' not in _page(house, path)
    assert _post(house, "/racks", name="Mine", shelves="1", places="1").status_code == 403
    refused = house.client.get("/set-up/data", headers={"accept": "text/html"})
    assert refused.status_code == 403


def test_messages_go_to_whom_they_should_and_hide_the_address(house: House) -> None:
    with http_camera(sends(b"ok", "text/plain")) as hook:
        address = f"json://127.0.0.1:{hook.port}/told?key=secret-word"
        said = {"name": "Barn bell", "digest_at": "06:30", "at_once": ["hold", "too hot"]}
        quiet = {"quiet_from": "21:00", "quiet_until": "06:00", "in_quiet_hours": "too hot"}
        to = _saved(house, "/messages", **said, **quiet, address=address)
        _saved(house, to.removeprefix("/set-up"), **said, **quiet, address="json://***")
        failed = _saved(house, f"{to.removeprefix('/set-up')}/test")
        # That server takes GET alone, so the test is told to have failed, without its address.
        shown = house.client.get(failed).text
    assert "The test could not be sent" in shown
    assert "secret-word" not in shown + _page(house, "/messages")
    target = house.get("/api/notifications/targets")[0]
    assert (target["at_once"], target["active"]) == (["hold", "too hot"], False)
    assert "Barn bell</a></strong> <span>json://***, not told now" in _page(house, "/messages")
    _saved(house, f"{to.removeprefix('/set-up')}/withdraw")
    assert "Barn bell</a></strong> <span>json" not in _page(house, "/messages")
    broken = _post(house, "/messages", name="Bell", address="nowhere", digest_at="06:45")
    assert broken.status_code == 422
    assert 'value="06:45"' in broken.text


def test_a_backup_is_made_listed_and_can_be_taken_along(house: House) -> None:
    assert _heading(_page(house, "/data")) == "No backup was made here yet"
    to = _saved(house, "/data/backup")
    shown = house.client.get(to).text
    assert _heading(shown) == f"The last backup was made today {EVENING:18:%M}"
    link = re.search(r'href="(/api/backup/[^"]+)"', shown)
    assert link is not None
    assert house.client.get(link[1]).content[:2] == b"PK"
    # What is to be typed names a file that is there, wherever it is typed.
    typed = re.search(r"trayvision restore --data NEW-FOLDER (\S+)", shown)
    assert typed is not None
    assert Path(typed[1]).is_file()
    assert "No original of a photo is ever let go" in shown


def test_room_without_a_harvest_target_answers_everywhere(house: House) -> None:
    room = {"day_zero": "spread", "grain": "barley", "target_height": "", "target_day": ""}
    with house.looked_at_last():
        for hours in range(0, 132, 10):
            at = EVENING - timedelta(hours=hours)
            house.post("/api/readings", read_at=at.isoformat(), temperature_c=19.0)
        _saved(house, "/room", **room)
    shelf = house.get("/api/shelves")[0]["id"]
    run = house.get("/api/trays/1")["run"]["id"]
    things = (f"/shelves/{shelf}", f"/runs/{run}", "/trays/1", "/room/harvest?tray=1", "/photos/1")
    printed = ("/print", "/print/round", "/print/labels", "/print/report")
    for address in ("/", "/room", "/shelves", "/flags", *things, *printed):
        answer = house.client.get(address, headers={"accept": "text/html"}, follow_redirects=True)
        assert answer.status_code == 200, f"{address}: {answer.status_code}"
    assert "is not forecast: no harvest target is set" in house.client.get("/trays/1").text
    assert house.get(f"/api/shelves/{shelf}/curves")["runs"]
    forecast = house.get("/api/trays/1")["forecast"]
    assert forecast == house.get("/api/trays/1/curve")["forecast"]
    assert {name for name, value in forecast.items() if value is not None} == {
        "coverage",
        "by_days_alone",
    }
    assert house.get("/api/trays/1/curve")["thermal"]["forecast"] == forecast
    assert not any(one["due"] for one in house.get("/api/today")["harvests"])


def test_an_address_that_is_none_is_refused_in_plain_words_and_not_said_again(
    house: House,
) -> None:
    form = {"name": "Mara", "address": "mara secret-word"}
    answer = house.client.post("/set-up/messages", data=form)
    assert answer.status_code == 422
    assert "must be one word with :// in it and no blanks" in answer.text
    assert "^[" not in answer.text
    alert = answer.text.partition('role="alert"')[2].partition("</div>")[0]
    assert "secret-word" not in alert


def test_photos_of_an_earlier_version_are_told_with_the_way_to_measure_them_again(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "earlier version" not in house.client.get("/set-up/data").text
    kept = len(house.get("/api/photos?limit=1000")["photos"])
    monkeypatch.setattr("service.photos.bulk_measuring.version", lambda _: "9.9.9")
    page = house.client.get("/set-up/data").text
    assert f"{kept} photos were measured by an earlier version" in page
    assert "trayvision remeasure --data " in page
