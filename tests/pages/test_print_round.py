"""The round on paper: one sheet, black and white, nothing cut off."""

from datetime import timedelta

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.pages.conftest import DESK, PHONE, assert_accessible, open_page
from tests.pages.house import EVENING, MOULDY_TRAY, House
from tests.pages.paper import SHEETS_MM, printed

# 10 pt are 13.33 px of a style sheet.
_BELOW_10_PT = """() => [...document.querySelectorAll('main *')].filter(one =>
  [...one.childNodes].some(node => node.nodeType === 3 && node.data.trim())
  && one.checkVisibility() && parseFloat(getComputedStyle(one).fontSize) < 13.3
).map(one => `${getComputedStyle(one).fontSize} ${one.textContent.trim().slice(0, 40)}`)"""
_BEYOND_LABEL = """() => [...document.querySelectorAll('.label')].filter(one => {
  const lines = one.querySelector('.label-lines').getBoundingClientRect();
  const label = one.getBoundingClientRect();
  return lines.bottom > label.bottom + 1 || lines.right > label.right + 1;
}).map(one => one.textContent.trim().slice(0, 40))"""


@pytest.fixture
def full_house(house: House) -> House:
    """Ten more trays than the six, spread long enough ago to be due, and chores (invented)."""
    with house.looked_at_last():
        _enter_what_is_due(house)
    return house


def _enter_what_is_due(house: House) -> None:
    shelf = house.get("/api/shelves")[-1]["id"]
    spread_at = EVENING - timedelta(days=9)
    for tray in range(11, 21):
        house.post("/api/runs", tray=tray, spread_at=spread_at.isoformat())
        position = house.post("/api/positions", shelf_id=shelf, name=f"{tray - 10}")
        house.post(
            f"/api/trays/{tray}/placements",
            shelf_id=shelf,
            position_id=position["id"],
            placed_at=spread_at.isoformat(),
        )
    for kind, title in (("wash", "Wash the gutters"), ("soak", "Soak for tomorrow")):
        house.post("/api/chores", kind=kind, title=title, planned_for=EVENING.isoformat())


def test_more_than_24_due_things_go_on_one_black_and_white_sheet(
    desk: Page, full_house: House
) -> None:
    desk.goto(f"{full_house.address}/print/round")
    assert desk.locator(".todo .box").count() >= 24
    for paper, colours in (("A4", "light"), ("Letter", "light"), ("Letter", "dark")):
        desk.emulate_media(color_scheme="dark" if colours == "dark" else "light")
        sheets = printed(desk, paper)
        assert len(sheets) == 1, (paper, colours, [sheet.text[-900:] for sheet in sheets])
        (sheet,) = sheets
        assert sheet.size_mm == pytest.approx(SHEETS_MM[paper], abs=0.5)
        for words in (
            *("Saturday, 7 March", "Rack by the door, Top shelf", "Harvest and weigh", "Initials"),
            *("Wash the gutters", "Soak for tomorrow", "Call when in doubt", "Bottom shelf"),
            *("lowest", "highest", "Possible mould: hold it from feeding", "Never mix bleach"),
        ):
            assert words in sheet.text, (paper, words)
        assert sheet.most_colour() == 0, (paper, colours)
        # Margins of the style sheet are 11 mm; what is cut off at the edge would reach into them.
        assert min(sheet.margins_mm()[:3]) > 9.0


def test_hold_is_said_in_words_with_a_filled_square(desk: Page, house: House) -> None:
    flag = next(one for one in house.get("/api/flags")["flags"] if one["tray"] == MOULDY_TRAY)
    house.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    desk.goto("/print/round")
    row = desk.get_by_role("row").filter(has=desk.get_by_text("Hold: do not feed"))
    expect(row).to_contain_text(str(MOULDY_TRAY))
    (sheet,) = printed(desk, "A4")
    assert "Hold: do not feed" in sheet.text
    assert sheet.most_colour() == 0
    # The square of the hold is black although browsers leave backgrounds out.
    dark = (sheet.pixels.max(axis=2) < 60).astype(int)
    solid = dark[:-9, :-9]
    for down in range(0, 10, 3):
        for right in range(0, 10, 3):
            solid = solid & dark[down : down + solid.shape[0], right : right + solid.shape[1]]
    assert solid.any()


def test_trays_beside_mould_and_harvests_to_look_at_first_have_lines_of_their_own(
    desk: Page, house: House
) -> None:
    house.client.patch("/api/room", json={"target_day": 5.4})
    desk.goto("/print/round")
    row = desk.get_by_role("row").filter(has=desk.get_by_text("Is it mould? Very likely, 9 in 10."))
    harvest = row.locator("li").filter(has_text="Harvest, due 18:36: do not feed it.")
    expect(harvest).to_have_text("Harvest, due 18:36: do not feed it.")
    flag = next(one for one in house.get("/api/flags")["flags"] if one["tray"] == MOULDY_TRAY)
    house.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    desk.reload()
    why = (
        "it stands beside tray 3 or shares water or seed with it, and somebody found mould there "
        "today 18:00"
    )
    row = desk.get_by_role("row").filter(has=desk.get_by_text("Harvest, due 18:36: look first."))
    expect(row).to_have_count(5)
    expect(row.first.locator("li").first).to_have_text(f"Look I{why[1:]}.")
    desk.emulate_media(media="print")
    places = [one.bounding_box() for one in row.first.locator("li").all()]
    tops = {round(box["y"]) for box in places if box is not None}
    assert len(tops) == len(places) == 2
    # What is due above is no second time optional.
    assert "ready to harvest" not in desk.get_by_role("main").inner_text()
    now = house.client.get("/").text
    assert now.count(why) == 5
    assert "ready to harvest" not in now


def test_a_tray_taken_out_is_to_be_washed_and_not_free(house: House) -> None:
    run = house.get("/api/trays/1")["run"]["id"]
    house.post(f"/api/runs/{run}/harvests")
    sheet = house.client.get("/print/round").text
    assert "To wash: 1, taken out and not written as washed" in sheet
    assert "Free trays: none." in sheet
    house.post("/api/trays/1/states", state="empty")
    sheet = house.client.get("/print/round").text
    assert "To wash" not in sheet and "Free trays: 1." in sheet


def test_round_of_a_day_to_come_says_one_age(house: House) -> None:
    house.client.patch("/api/room", json={"target_day": 5.4})
    told = house.client.get("/print/round?day=2026-03-09").text
    assert "day 7 (8 from soaking)" in told
    assert "day 5" not in told
    assert "Tray 6: Tray 6" not in told


def test_what_does_not_fit_goes_on_further_sheets_with_the_heads_again(
    desk: Page, full_house: House
) -> None:
    for tray in range(31, 61):
        full_house.post("/api/runs", tray=tray, spread_at=(EVENING - timedelta(days=9)).isoformat())
    desk.goto(f"{full_house.address}/print/round")
    sheets = printed(desk, "A4")
    assert len(sheets) > 1
    assert "What to do" in sheets[1].text
    assert f"1 of {len(sheets)}" in sheets[0].text
    told = " ".join(sheet.text for sheet in sheets)
    assert told.count("Photograph (first).") == 40


def test_trays_come_in_the_order_of_a_walk(full_house: House) -> None:
    full_house.post("/api/runs", tray=40)
    shown = full_house.client.get("/print/round").text
    order = [
        shown.index(f'<span class="sheet-number">{tray}</span>') for tray in (3, 6, 11, 12, 20, 40)
    ]
    assert order == sorted(order)
    assert shown.index("Top shelf</th>") < shown.index("Bottom shelf</th>")
    assert shown.index("Bottom shelf</th>") < shown.index("Place not recorded</th>")


def test_nothing_that_is_read_in_the_room_is_below_10_pt(desk: Page, full_house: House) -> None:
    desk.emulate_media(media="print")
    for path in ("/print/round", "/print/labels", "/print/labels?columns=3&rows=8"):
        desk.goto(f"{full_house.address}{path}")
        assert desk.evaluate(_BELOW_10_PT) == []
        # Larger words must still fit on their labels.
        assert desk.evaluate(_BEYOND_LABEL) == []
    note = "the words are below 10 pt"
    assert note in full_house.client.get("/print/labels?columns=5&rows=13").text
    assert note not in full_house.client.get("/print/labels?columns=3&rows=8").text


def test_a_place_to_read_is_named_once(full_house: House) -> None:
    shown = full_house.client.get("/print/round").text
    assert '<th scope="row">Top shelf</th>' in shown
    house = full_house
    house.post(
        "/api/shelves", rack_id=house.get("/api/racks")[0]["id"], name="By the floor", level=9
    )
    shown = house.client.get("/print/round").text
    assert '<th scope="row">Top shelf</th>' in shown
    assert '<th scope="row">Bottom: By the floor</th>' in shown


def test_round_reads_on_a_phone_and_without_anything_to_do(
    browser: Browser, empty_house: House
) -> None:
    for size in (PHONE, DESK):
        page = open_page(browser, empty_house, size, scripts=True)
        page.goto("/print/round")
        expect(page.get_by_role("heading", level=1)).to_contain_text("0 things to do")
        expect(page.get_by_text("Walk, look and smell all the same.")).to_be_visible()
        assert_accessible(page)
        page.context.close()
    plain = open_page(browser, empty_house, PHONE, scripts=False)
    plain.goto("/print/round")
    expect(plain.get_by_role("heading", level=1)).to_contain_text("0 things to do")
    expect(plain.get_by_role("button", name="Print")).to_be_hidden()
    plain.context.close()


def test_print_button_prints(desk: Page) -> None:
    desk.add_init_script("window.print = () => { document.title = 'printed'; }")
    desk.goto("/print/round")
    desk.get_by_role("button", name="Print").click()
    expect(desk).to_have_title("printed")


def test_round_of_a_day_to_come_has_what_is_due_by_then(desk: Page, house: House) -> None:
    planned = (EVENING + timedelta(days=2)).isoformat()
    house.post("/api/chores", kind="soak", title="Soak for Tuesday", planned_for=planned)
    assert "Soak for Tuesday" not in house.client.get("/print/round").text
    desk.goto(f"{house.address}/print")
    desk.get_by_role("link", name="The round of the day after").click()
    # 7 March 2026, on which the house stands, is a Saturday.
    heading = desk.get_by_role("heading", level=1)
    expect(heading).to_contain_text("The round of Monday, 9 March")
    (sheet,) = printed(desk, "A4")
    assert "Soak for Tuesday" in sheet.text
    assert "forecasts, which may move" in " ".join(sheet.text.split())
    # No photo came since: each of the six is to be photographed by then.
    told = house.client.get("/print/round?day=2026-03-09").text
    assert told.count("Photograph, last 2 days ago.") == 6
    today = house.client.get("/print/round").text
    assert "Photograph, last" not in today
    for day in ("2026-03-06", "2026-03-15", "soon"):
        assert house.client.get(f"/print/round?day={day}").status_code == 422
