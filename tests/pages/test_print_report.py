"""The report over a period: adds up against the API, keeps corrections beside originals, prints."""

import csv
import io
import re
from datetime import datetime, timedelta
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from service.pages.printed import report_page
from service.photos.retention_log import enter_let_go
from tests.pages.conftest import PHONE, assert_accessible, open_page
from tests.pages.house import EVENING, MOULDY_TRAY, House
from tests.pages.paper import SHEETS_MM, printed
from tests.service.recorded_inspections import photo_bytes

MARCH = "from=2026-03-01&to=2026-03-31"


@pytest.fixture
def month(house: House) -> House:
    """A month of the furnished room: harvests, a thrown tray, corrections, chores (invented)."""
    with house.looked_at_last():
        _enter_a_month(house)
    return house


def _enter_a_month(house: House) -> None:
    runs = {tray: house.get(f"/api/trays/{tray}")["run"] for tray in range(1, 7)}
    end = EVENING - timedelta(minutes=20)
    for tray, weight in ((1, 3210.0), (2, 2950.0), (4, None)):
        body: dict[str, Any] = {"harvested_at": end.isoformat()}
        house.post(f"/api/runs/{runs[tray]['id']}/harvests", **body, weight_g=weight)
    thrown = f"/api/runs/{runs[5]['id']}/harvests"
    house.post(thrown, harvested_at=end.isoformat(), weight_g=1500.0, reason="thrown")
    part = f"/api/runs/{runs[6]['id']}/harvests"
    house.post(part, harvested_at=end.isoformat(), weight_g=800.0, ends_run=False)
    lot = house.get("/api/lots")[0]["id"]
    certified = {"supplier": "Mill (invented)", "certificate": "AT-0007", "why": "found the sheet"}
    house.client.patch(f"/api/lots/{lot}", json=certified)
    seed = [{"lot_id": lot, "weight_g": 520.0}]
    answer = house.client.patch(
        f"/api/runs/{runs[2]['id']}", json={"seed": seed, "why": "weighed again"}
    )
    assert answer.status_code == 200, answer.text
    house.post(
        "/api/chores",
        kind="sanitise",
        title="Trays of the top shelf",
        done_at=end.isoformat(),
        details={"what": "household bleach", "rinsed": "yes"},
    )
    house.post("/api/chores", kind="water", title="Water", done_at=end.isoformat())
    flag = next(one for one in house.get("/api/flags")["flags"] if one["tray"] == MOULDY_TRAY)
    house.post(f"/api/flags/{flag['id']}/verdict", verdict="right", note="grey by the wall")


def _table(house: House, part: str, period: str = MARCH) -> list[dict[str, str]]:
    answer = house.client.get(f"/print/report/{part}?{period}")
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith("text/csv")
    return list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))


def test_totals_add_up_to_what_the_api_says(month: House) -> None:
    runs = [run for tray in range(1, 7) for run in month.get(f"/api/trays/{tray}/runs")]
    harvests = [part for run in runs for part in month.get(f"/api/runs/{run['id']}/harvests")]
    rows = _table(month, "runs")
    assert {int(row["run_id"]) for row in rows} == {run["id"] for run in runs}
    seed_g = sum(part["weight_g"] for run in runs for part in run["seed"])
    assert sum(float(row["seed_weight_g"]) for row in rows) == seed_g == 6 * 500.0 + 20.0
    kept = [part for part in harvests if part["reason"] != "thrown"]
    taken_g = sum(part["weight_g"] or 0.0 for part in kept)
    assert sum(float(row["harvested_in_period_g"] or 0) for row in rows) == taken_g == 6960.0
    (lot,) = _table(month, "lots")
    assert (float(lot["seed_weight_g"]), int(lot["runs_spread"])) == (seed_g, 6)
    assert (lot["supplier"], lot["certificate"]) == ("Mill (invented)", "AT-0007")
    photos = month.get("/api/photos?limit=1000")["photos"]
    assert sum(int(row["photos"]) for row in rows) == len(photos)
    text = " ".join(month.client.get(f"/print/report?{MARCH}").text.split())
    for name, words in (
        *(("Runs that grew in the period", "6"), ("Ended: harvested", "3"), ("Ended: thrown", "1")),
        *(("Not ended in the period", "2"), ("Thrown, as far as it was weighed", "1.5 kg")),
    ):
        assert f'{name}</th><td class="number">{words}</td>' in text
    assert "4 times (1: weight not recorded)" in text
    assert "6.96 kg" in text


def test_what_was_taken_while_possible_mould_stood_open_is_named_and_summed(house: House) -> None:
    runs = {tray: house.get(f"/api/trays/{tray}")["run"]["id"] for tray in (1, MOULDY_TRAY)}
    flag = next(one for one in house.get("/api/flags")["flags"] if one["tray"] == MOULDY_TRAY)
    taken = f"/api/runs/{runs[MOULDY_TRAY]}/harvests"
    house.post(taken, weight_g=400.0, ends_run=False)
    house.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    house.watch.forward(minutes=5)
    house.post(taken, weight_g=600.0)
    house.post(f"/api/runs/{runs[1]}/harvests", weight_g=3000.0)
    then = {row["tray"]: row["mould_when_taken"] for row in _table(house, "runs")}
    confirmed = "on hold: somebody had found mould"
    assert {tray: said for tray, said in then.items() if said} == {str(MOULDY_TRAY): confirmed}
    text = re.sub(r"\s+|<[^>]+>", " ", house.client.get(f"/print/report?{MARCH}").text)
    text = " ".join(text.split())
    assert "or its look for mould not answered, 2 times 1 kg" in text
    assert f"harvested; taken while {confirmed}" in text
    assert "Of the sum taken, 1 kg was taken while a tray was on hold or its look" in text


def test_what_was_noticed_is_dated_by_when_it_was_said_and_since_when_it_stands(
    house: House,
) -> None:
    house.watch.forward(days=1, hours=2)
    house.photograph(MOULDY_TRAY, EVENING + timedelta(days=1), cover=0.98)
    rows = [row for row in _table(house, "flags") if "perhaps hidden since" in row["reason"]]
    assert rows
    (first, *_) = rows
    assert first["at"].startswith("2026-03-07T16:03")
    assert first["said_at"].startswith("2026-03-08T19:00")
    assert first["since"] < first["at"]
    text = house.client.get(f"/print/report?{MARCH}").text
    told = text[text.index("8 March 2026 20:00</td>") :].partition("</tr>")[0]
    assert "perhaps hidden since" in told
    assert "the last photo that shows it is of 7 March 2026 17:03" in told
    flag = house.get("/api/flags")["flags"][0]["id"]
    assert "from photos up to" in house.client.get(f"/flags/{flag}").text


def test_a_long_lot_name_without_blanks_stays_on_the_paper(desk: Page, house: House) -> None:
    lot = house.get("/api/lots")[0]["id"]
    house.client.patch(f"/api/lots/{lot}", json={"name": "x" * 190})
    desk.emulate_media(media="print")
    for path in (f"/print/report?{MARCH}", "/print/labels"):
        desk.goto(path)
        wide = desk.evaluate(
            "() => [...document.querySelectorAll('main *')].filter("
            "(one) => one.getBoundingClientRect().right > innerWidth + 1"
            ").map((one) => one.outerHTML.slice(0, 120))"
        )
        assert wide == [], path


def test_corrections_stand_beside_what_they_correct(month: House) -> None:
    month.post("/api/people", name="Mara", role="owner", password="a long one to keep")
    month.client.post("/api/login", json={"name": "Mara", "password": "a long one to keep"})
    reading = month.get("/api/readings")[0]
    changed = month.client.patch(
        f"/api/readings/{reading['id']}",
        json={"temperature_c": 21.5, "why": "misread"},
        headers={"origin": month.address},
    )
    assert changed.status_code == 200, changed.text
    by_what = {row["what"]: row for row in _table(month, "corrections")}
    run = by_what["Run of tray 2"]
    assert (run["value"], run["why"], run["by"]) == ("seed", "weighed again", "nobody logged in")
    assert (run["before"], run["after"]) == (
        "Barley, first bag 500 g",
        "Barley, first bag 520 g",
    )
    air = by_what["Reading of the room"]
    assert (air["before"], air["after"], air["by"]) == ("19.5", "21.5", "Mara")
    text = month.client.get(f"/print/report?{MARCH}").text
    assert "temperature: 19.5 °C" in text
    assert "temperature: 21.5 °C" in text
    assert "seed: Barley, first bag 0.52 kg" in text
    assert "misread" in text


def test_answers_cleaning_and_air_are_told_and_what_is_missing_is_named(month: House) -> None:
    answers = [row for row in _table(month, "flags") if row["event"] == "verdict"]
    assert [(row["tray"], row["verdict"], row["note"]) for row in answers] == [
        (str(MOULDY_TRAY), "right", "grey by the wall")
    ]
    (chore,) = _table(month, "chores")
    assert chore["details"] == "what: household bleach; rinsed: yes"
    weeks = _table(month, "air")
    # 1 March 2026 is a Sunday; the reading was entered on Saturday the 7th.
    assert [week["week_from"] for week in weeks] == [
        *("2026-03-01", "2026-03-02", "2026-03-09", "2026-03-16", "2026-03-23", "2026-03-30"),
    ]
    assert [week["temperature_low_c"] for week in weeks] == ["", "19.5", "", "", "", ""]
    text = " ".join(month.client.get(f"/print/report?{MARCH}").text.split())
    assert "What was fed to whom is not recorded in this period." in text
    assert "Other chores done: water 1" in text


@pytest.mark.parametrize(
    ("kind", "title", "use"),
    [
        ("other", "Fed 10 goats, 12 kg", "feeding"),
        ("other", "Feed the hens", "feeding"),
        ("feed", "Goats by the gate, washed hands", "feeding"),
        ("other", "Wash seed for tomorrow", None),
        ("other", "Rinse sprouts", None),
        ("other", "Buy seed", None),
        ("other", "Wash the seed buckets", "cleaning"),
        ("other", "Clean the drain", "cleaning"),
        ("clean", "Shelf by the door", "cleaning"),
        ("soak", "Barley, rinsed twice", None),
        ("water", "Clean water", None),
    ],
)
def test_chore_stands_where_its_kind_says_else_its_words(
    house: House, kind: str, title: str, use: str | None
) -> None:
    house.post("/api/chores", kind=kind, title=title, done_at=EVENING.isoformat())
    rows = [(row["use"], row["title"]) for row in _table(house, "chores")]
    assert rows == ([] if use is None else [(use, title)])
    told = f"Other chores done: {kind} 1." in house.client.get(f"/print/report?{MARCH}").text
    assert told is (use is None)


def test_chore_that_is_ticked_off_is_no_correction(house: House) -> None:
    chore = house.post("/api/chores", kind="clean", title="Gutters", planned_for="2026-03-07T08:00")
    done = f"/chores/{chore['id']}/done"
    assert house.client.post(done, data={"done_at": "2026-03-07T09:00"}).status_code == 303
    assert _table(house, "corrections") == []
    # Another time of doing it is one, and so is another title said while it is ticked off.
    house.client.patch(f"/api/chores/{chore['id']}", json={"done_at": "2026-03-07T10:00"})
    (row,) = _table(house, "corrections")
    assert (row["value"], row["before"]) == ("done_at", "2026-03-07T08:00:00+00:00")
    other = house.post("/api/chores", kind="clean", title="Fan", planned_for="2026-03-07T08:00")
    change = {"done_at": "2026-03-07T11:00", "title": "Both fans"}
    house.client.patch(f"/api/chores/{other['id']}", json=change)
    rows = _table(house, "corrections")
    assert [row["value"] for row in rows] == ["title", "done_at"]
    text = house.client.get(f"/print/report?{MARCH}").text
    assert "done: 7 March 2026 09:00</td>" in text
    assert "what: Both fans</td>" in text


def test_corrections_are_said_in_the_rooms_units(house: House) -> None:
    run = house.get("/api/trays/1")["run"]["id"]
    taken = house.post(f"/api/runs/{run}/harvests", weight_g=3450.0)
    house.client.patch(f"/api/harvests/{taken['id']}", json={"weight_g": 3454.0})
    text = house.client.get(f"/print/report?{MARCH}").text
    assert "weight: 3.45 kg</td>" in text
    assert "weight: 3.454 kg</td>" in text
    house.client.patch("/api/room", json={"weight_unit": "lb"})
    # One pound is 453.59237 g.
    assert "weight: 7.606 lb</td>" in house.client.get(f"/print/report?{MARCH}").text
    (row,) = _table(house, "corrections")
    assert (row["value"], row["before"], row["after"]) == ("weight_g", "3450.0", "3454.0")


def test_a_run_belongs_to_each_period_in_which_it_lies(month: House) -> None:
    outside = _table(month, "runs", "from=2026-02-01&to=2026-02-28")
    assert outside == []
    # Spread on 2 March, soaked the evening before.
    begun = _table(month, "runs", "from=2026-03-01&to=2026-03-01")
    assert len(begun) == 6
    assert {row["harvested_in_period_g"] for row in begun} == {""}
    empty = " ".join(month.client.get("/print/report?from=2025-01-01&to=2025-01-31").text.split())
    assert "No run lies in this period." in empty
    assert "That does not prove that there was none" in empty


def test_report_prints_on_several_sheets_with_the_heads_again(desk: Page, month: House) -> None:
    for tray in range(10, 50):
        spread_at = datetime.fromisoformat("2026-03-01T08:00:00+01:00") + timedelta(hours=tray)
        month.post("/api/runs", tray=tray, spread_at=spread_at.isoformat())
    desk.goto(f"{month.address}/print/report?{MARCH}")
    for paper in ("A4", "Letter"):
        sheets = printed(desk, paper)
        assert len(sheets) > 2
        assert sum("Taken in the period" in sheet.text for sheet in sheets) > 1
        assert f"2 of {len(sheets)}" in sheets[1].text
        for sheet in sheets:
            assert sheet.size_mm == pytest.approx(SHEETS_MM[paper], abs=0.5)
            assert sheet.most_colour() == 0
            assert min(sheet.margins_mm()[:3]) > 9.0
        told = " ".join(sheet.text for sheet in sheets)
        assert "Report, 1 March 2026 to 31 March 2026" in told
        assert "AT-0007" in told


def _rows(text: str) -> list[tuple[int, str, str]]:
    """Tray, what was taken, and photos and originals of the runs on a page."""
    row = re.compile(
        r'<tr><th scope="row">(\d+)</th><td class="free-text" data-label="lot">.*?'
        r'data-label="taken in the period">(.*?)</td>'
        r'<td class="number" data-label="photos \(files kept\)">(.*?)</td></tr>'
    )
    return [(int(tray), taken, photos) for tray, taken, photos in row.findall(text)]


def test_pages_of_a_long_record_add_up_to_the_whole(
    month: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = month.client.get(f"/print/report?{MARCH}").text
    monkeypatch.setattr(report_page, "ON_A_PAGE", 4)
    pages = [month.client.get(f"/print/report?{MARCH}&part=runs&page={page}") for page in (1, 2)]
    listed = [_rows(page.text) for page in pages]
    assert [len(rows) for rows in listed] == [4, 2]
    assert listed[0] + listed[1] == _rows(whole)
    table = _table(month, "runs")
    assert [tray for tray, _, _ in _rows(whole)] == [int(row["tray"]) for row in table]
    photos = [f"{row['photos']} ({row['originals_kept']})" for row in table]
    assert [said for _, _, said in _rows(whole)] == photos
    assert [page.text.count('<tr class="sum">') for page in pages] == [0, 1]
    assert "Sum of all 6" in pages[1].text
    assert "Runs, 5 to 6 of 6: 1 March 2026 to 31 March 2026" in pages[1].text
    third = month.client.get(f"/print/report?{MARCH}&part=runs&page=3")
    assert (third.status_code, "there are 6 rows, 4 on a page" in third.text) == (404, True)
    assert month.client.get(f"/print/report?{MARCH}&part=horses").status_code == 404


@pytest.mark.usefixtures("month")
def test_long_record_begins_with_its_summary(monkeypatch: pytest.MonkeyPatch, phone: Page) -> None:
    monkeypatch.setattr(report_page, "ON_A_PAGE", 4)
    phone.goto(f"/print/report?{MARCH}")
    expect(phone.get_by_role("row", name="Runs that grew in the period 6")).to_be_visible()
    expect(phone.get_by_role("heading", name="Air by week")).to_have_count(0)
    assert_accessible(phone)
    phone.get_by_role("link", name="Runs", exact=True).click()
    heading = phone.get_by_role("heading", level=1)
    expect(heading).to_contain_text("Runs, 1 to 4 of 6")
    phone.get_by_role("link", name="Later").first.click()
    expect(heading).to_contain_text("Runs, 5 to 6 of 6")
    assert_accessible(phone)
    phone.get_by_role("link", name="Earlier").last.click()
    phone.get_by_role("link", name="Summary and all parts").first.click()
    for part, words in (
        ("Possible mould and holds", "grey by the wall"),
        ("Air by week", "19.5 °C"),
        ("Cleaning and sanitising", "household bleach"),
        ("Fed out", "not recorded in this period"),
        ("What was corrected later", "found the sheet"),
    ):
        phone.get_by_role("link", name=part, exact=True).click()
        expect(phone.get_by_role("main")).to_contain_text(words)
        phone.get_by_role("link", name="Summary and all parts").first.click()


def test_the_whole_of_a_long_record_is_brought_to_one_page(
    monkeypatch: pytest.MonkeyPatch, desk: Page, month: House
) -> None:
    address = f"{month.address}/print/report?{MARCH}"
    desk.goto(address)
    whole = _record(desk)
    monkeypatch.setattr(report_page, "ON_A_PAGE", 4)
    desk.goto(address)
    assert _record(desk) == []
    bring = desk.get_by_role("button", name="Bring the whole record to this page")
    told = desk.get_by_role("status").last

    # The third of the parts is not to be had at first: none of it is shown then.
    desk.route(re.compile("part=air"), lambda route: route.abort())
    bring.click()
    expect(told).to_have_text(
        "The record could not be brought here: the room did not answer. Try again."
    )
    expect(bring).to_be_focused()
    assert _record(desk) == []
    desk.unroute(re.compile("part=air"))

    bring.click()
    expect(told).to_have_text(
        "The whole record is on this page now: print it, or save it as a file."
    )
    expect(desk.get_by_role("button", name="Print")).to_be_focused()
    expect(bring).to_be_hidden()
    assert len(whole) > 20
    # Of several pages the sum says that it adds all of them up.
    assert [row.replace("Sum of all 6", "Sum") for row in _record(desk)] == whole
    assert_accessible(desk)
    paper = " ".join(sheet.text for sheet in printed(desk, "A4"))
    assert "grey by the wall" in paper
    assert "Bring the whole record" not in paper


def _record(page: Page) -> list[str]:
    """Headings and rows of the record on a page, in order."""
    return page.locator("[data-part] h2, [data-part] tr").all_inner_texts()


def test_photos_that_come_and_move_are_counted_where_they_lie(month: House) -> None:
    def counted(period: str) -> dict[str, int]:
        return {row["tray"]: int(row["photos"]) for row in _table(month, "runs", period)}

    first_days, later = "from=2026-03-02&to=2026-03-04", "from=2026-03-05&to=2026-03-31"
    before = counted(first_days), counted(later)
    photos = month.get("/api/photos?tray=3&limit=100")["photos"]
    last = max(photos, key=lambda photo: photo["taken_at"])
    assert last["taken_at"] > "2026-03-05"
    month.client.patch(
        f"/api/photos/{last['id']}", json={"taken_at": "2026-03-04T12:00:00+01:00", "why": "clock"}
    ).raise_for_status()
    assert counted(first_days) == {**before[0], "3": before[0]["3"] + 1}
    assert counted(later) == {**before[1], "3": before[1]["3"] - 1}
    content = photo_bytes({"number": 3}, taken_at="2026-03-04T13:00:00+01:00", note="late")
    files = {"photo": ("late.jpg", content, "image/jpeg")}
    month.client.post("/api/photos", files=files).raise_for_status()
    assert counted(first_days)["3"] == before[0]["3"] + 2


def test_photos_whose_originals_were_let_go_are_told_apart(month: House) -> None:
    before = _table(month, "runs")
    photo = month.get("/api/photos?tray=1&limit=1")["photos"][0]["id"]
    with month.service.database.write() as connection:
        enter_let_go(connection, [photo], EVENING, rule="invented for this test")
    after = _table(month, "runs")
    kept = [
        {row["tray"]: (int(row["photos"]), int(row["originals_kept"])) for row in rows}
        for rows in (before, after)
    ]
    seen = kept[0]["1"][0]
    assert seen > 0
    assert (kept[0]["1"], kept[1]["1"]) == ((seen, seen), (seen, seen - 1))
    assert {**kept[0], "1": None} == {**kept[1], "1": None}


def test_period_is_typed_on_a_phone_without_scripts(plain_phone: Page, house: House) -> None:
    plain_phone.goto("/print")
    plain_phone.get_by_role("link", name="Report").click()
    plain_phone.get_by_label("From").fill("2026-03-02")
    plain_phone.get_by_label("To, that day included").fill("2026-03-06")
    plain_phone.get_by_role("button", name="Show this period").click()
    expect(plain_phone.get_by_role("heading", level=1)).to_have_text(
        "Report, 2 March 2026 to 6 March 2026"
    )
    expect(plain_phone.get_by_role("link", name="corrections")).to_have_attribute(
        "href", "/print/report/corrections?from=2026-03-02&to=2026-03-06"
    )
    assert house.client.get("/print/report/horses").status_code == 404


@pytest.mark.parametrize(
    ("query", "rule"),
    [
        ("from=2026-03-10&to=2026-03-01", "must not be earlier than 2026-03-10"),
        ("from=March", "must be a date such as 2026-03-31"),
        ("from=1999-01-01", "must lie in the years 2000 to 2199"),
    ],
)
def test_period_that_is_none_is_told(shown_house: House, query: str, rule: str) -> None:
    answer = shown_house.client.get(f"/print/report?{query}")
    assert answer.status_code == 422
    assert rule in answer.text
    assert shown_house.client.get(f"/print/report/runs?{query}").status_code == 422


def test_report_is_accessible_on_a_phone(browser: Browser, shown_house: House) -> None:
    page = open_page(browser, shown_house, PHONE, scripts=True)
    page.goto(f"/print/report?{MARCH}")
    assert_accessible(page)
    page.context.close()
