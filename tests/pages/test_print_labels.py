"""Tray labels: any grid, filled in or left to the pencil."""

import re

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from tests.pages.conftest import DESK, open_page
from tests.pages.house import MOULDY_TRAY, House
from tests.pages.paper import SHEETS_MM, printed

GRIDS = [
    *(("A4", columns, rows) for columns, rows in ((1, 4), (3, 8), (5, 13))),
    ("letter", 2, 6),
]


def _labels(page: Page) -> Locator:
    return page.get_by_role("list", name="Sheet 1").get_by_role("listitem")


def test_grids_fill_their_sheets_in_black_and_white(browser: Browser, shown_house: House) -> None:
    page = open_page(browser, shown_house, DESK, scripts=True)
    for paper, columns, rows in GRIDS:
        blank = max(columns * rows - 6, 0)
        page.goto(f"/print/labels?columns={columns}&rows={rows}&paper={paper}&blank={blank}")
        sheets = printed(page, "A4", own_size=True)
        assert len(sheets) == -(-6 // (columns * rows))
        assert sheets[0].most_colour() == 0
        # Cut lines lie on the margin of 10 mm that was asked for.
        assert sheets[0].margins_mm() == pytest.approx((10, 10, 10, 10), abs=0.8)
        wide_mm, high_mm = SHEETS_MM["Letter" if paper == "letter" else "A4"]
        assert sheets[0].size_mm == pytest.approx((wide_mm, high_mm), abs=0.5)
        inked = sheets[0].printed().mean(axis=0)
        for column in range(1, columns):
            at = round((10 / wide_mm + column / columns * (1 - 20 / wide_mm)) * len(inked))
            # A dashed line over the whole height.
            assert inked[at - 2 : at + 3].max() > 0.3
    page.context.close()


def test_labels_say_what_the_log_knows(desk: Page, house: House) -> None:
    desk.goto("/print/labels")
    labels = _labels(desk)
    expect(labels).to_have_count(6)
    # Spread on 2 March 2026, 9:00 in Vienna; a Monday.
    expect(labels.first).to_contain_text("spread Mon 2 March, day\u00a00")
    expect(labels.first).to_contain_text("lot Barley, first bag")
    expect(labels.first).to_contain_text(re.compile(r"due (Sun|Mon|Tue|Wed) \d+ March"))
    house.client.patch("/api/room", json={"day_zero": "soak"})
    desk.reload()
    expect(labels.first).to_contain_text("soaked Sun 1 March, day\u00a00")
    expect(labels.first).to_contain_text(re.compile(r"spread Mon 2 March(?!, day 0)"))


def test_hold_stands_on_a_label_only_when_so(desk: Page, house: House) -> None:
    flag = next(one for one in house.get("/api/flags")["flags"] if one["tray"] == MOULDY_TRAY)
    house.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    desk.goto("/print/labels")
    held = _labels(desk).filter(has_text="Hold: do not feed")
    expect(held).to_have_count(1)
    expect(held).to_contain_text(f"{MOULDY_TRAY}")


def test_chosen_trays_blank_labels_and_lines_for_a_pencil(plain_phone: Page) -> None:
    plain_phone.goto("/print/labels")
    plain_phone.get_by_label("Trays").fill("5, 1-2")
    plain_phone.get_by_label("What stands on them").select_option("pencil")
    plain_phone.get_by_text("For sheets of labels").click()
    plain_phone.get_by_label("Blank labels more").fill("2")
    plain_phone.get_by_role("button", name="Show the sheets").click()
    labels = _labels(plain_phone)
    expect(labels).to_have_count(5)
    assert [text.split()[0] for text in labels.all_inner_texts()[:3]] == ["5", "1", "2"]
    expect(labels.first.locator(".label-lines .write-on")).to_have_count(3)
    expect(labels.last).not_to_contain_text(re.compile(r"\d"))
    expect(plain_phone.get_by_label("Trays")).to_have_value("5, 1-2")


@pytest.mark.parametrize(
    ("query", "rule"),
    [
        ("trays=7-3", "numbers and ranges"),
        ("trays=1,77", "77 is not"),
        ("columns=9", "must be 6 or less"),
        ("rows=0", "must be 1 or more"),
        ("paper=napkin", "A4"),
        ("blank=1.5", "a whole number"),
        ("blank=501", "a whole number"),
        ("margin_top_mm=60", "must be 40 or less"),
    ],
)
def test_what_cannot_be_printed_is_told_with_what_was_typed(
    shown_house: House, query: str, rule: str
) -> None:
    answer = shown_house.client.get(f"/print/labels?{query}")
    assert answer.status_code == 422
    assert rule in answer.text
    assert 'role="alert"' in answer.text


def test_grid_as_a_style_sheet_holds_nothing_but_numbers(shown_house: House) -> None:
    answer = shown_house.client.get(
        "/print/labels.css?columns=3&rows=8&paper=letter&margin_top_mm=12.7"
    )
    assert answer.headers["content-type"].startswith("text/css")
    assert "size: letter portrait" in answer.text
    assert "margin: 12.7mm 10mm" in answer.text
    assert "repeat(8, 1fr) / repeat(3, 1fr)" in answer.text
    assert shown_house.client.get("/print/labels.css?columns=3;}body{x").status_code == 422


def test_number_is_larger_than_all_else(browser: Browser, shown_house: House) -> None:
    page = open_page(browser, shown_house, DESK, scripts=True)
    page.goto("/print/labels?columns=2&rows=6")
    page.emulate_media(media="print")
    number, line = page.evaluate(
        "() => ['.label-number', '.label-lines'].map(one =>"
        " parseFloat(getComputedStyle(document.querySelector(one)).fontSize))"
    )
    assert number > 3 * line
    page.context.close()
