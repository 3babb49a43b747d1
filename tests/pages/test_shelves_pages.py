"""The shelves' pages: who is ahead or behind and why, curves by age, yields, possible mould."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect

from tests.pages.conftest import DESK, PHONE, assert_accessible, open_page
from tests.pages.house import EVENING, MOULDY_TRAY, House, served

EVERY_DETAIL = "document.querySelectorAll('details').forEach((one) => { one.open = true; })"
SIX_WEEKS = timedelta(days=42)


def _finish(house: House, tray: int, late_days: float) -> None:
    """An earlier run of a tray, on the shelf that it stands on, with its harvest."""
    spread_at = EVENING - SIX_WEEKS + timedelta(hours=tray)
    lot = house.get("/api/lots")[0]["id"]
    house.post(
        "/api/runs",
        tray=tray,
        spread_at=spread_at.isoformat(),
        seed=[{"lot_id": lot, "weight_g": 500.0}],
    )
    shelf = house.get(f"/api/trays/{tray}")["shelf_id"]
    placed_at = spread_at.isoformat()
    house.post(f"/api/trays/{tray}/placements", shelf_id=shelf, placed_at=placed_at)
    for day in (3, 5, 6, 7, 8):
        height = 180 / (1 + np.exp(-1.2 * (day - 5.5 - late_days)))
        at = spread_at + timedelta(days=day)
        house.photograph(tray, at, cover=min(0.98, 0.15 * day), height_mm=float(height))
    run = next(one for one in house.get(f"/api/trays/{tray}/runs") if one["ended_at"] is not None)
    house.post(
        f"/api/runs/{run['id']}/harvests",
        harvested_at=(spread_at + timedelta(days=8, hours=2)).isoformat(),
        weight_g=2500.0 + 200.0 * tray,
    )


@pytest.fixture(scope="module")
def old_house(tmp_path_factory: pytest.TempPathFactory, furnished: Path) -> Iterator[House]:
    """The furnished room with an earlier run of each tray: the bottom shelf was later."""
    with served(tmp_path_factory.mktemp("old") / "data", furnished) as house:
        with house.looked_at_last():
            for tray in range(1, 7):
                _finish(house, tray, late_days=-0.6 if tray <= 3 else 0.6)
        yield house


def test_growth_curves_are_watched_per_shelf(browser: Browser, old_house: House) -> None:
    page = open_page(browser, old_house, PHONE, scripts=True)
    page.goto("/shelves")
    expect(page.get_by_role("heading", level=1)).to_contain_text("behind what is usual here")
    chart = page.get_by_alt_text("Chart of the usual height over days since spreading")
    chart.scroll_into_view_if_needed()
    expect(chart).to_have_js_property("complete", True)
    assert chart.evaluate("(image) => image.naturalWidth > 0")
    page.get_by_text("The same curves as a table").click()
    table = page.get_by_role("region", name="Usual height by day")
    expect(table.get_by_role("columnheader", name="Bottom shelf")).to_be_visible()
    page.get_by_role("link", name="Bottom shelf").last.click()
    expect(page).to_have_url(f"{old_house.address}/shelves/2")
    expect(page.get_by_role("heading", level=1)).to_contain_text("Bottom shelf: ")
    page.get_by_role("row", name="6").get_by_role("link").click()
    expect(page).to_have_url(f"{old_house.address}/trays/6")
    page.context.close()


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("path", ["/shelves", "/shelves/1"])
def test_pages_are_accessible_with_everything_open(
    browser: Browser, old_house: House, size: dict[str, int], path: str
) -> None:
    page = open_page(browser, old_house, size, scripts=True)
    page.goto(path)
    page.evaluate(EVERY_DETAIL)
    assert_accessible(page)
    page.context.close()


def test_shelf_says_the_same_as_the_api(old_house: House) -> None:
    usual = old_house.get("/api/shelves/2/curves")["usual"]
    page = old_house.client.get("/shelves/2").text
    assert usual["runs"] == 3
    assert f"give or take {1.96 * usual['lag_uncertainty_days']:.1f} days" in page
    day = usual["day"].index(5.0)
    assert f'<td class="number">{usual["mean"][day] / 10:.1f}</td>' in page
    fitted = old_house.get("/api/trays/4/curve")["height"]["fitted"]
    height = fitted["median"][fitted["day"].index(5.0)] / 10
    assert f'<td class="number">{height:.1f}</td>' in page


def test_lagging_tray_is_named_with_its_reason(old_house: House) -> None:
    page = old_house.client.get("/shelves").text
    assert "Tray 6 is behind" in page
    assert "behind the trays spread with it" in page


def test_yields_are_medians_with_their_number_and_a_caveat(old_house: House) -> None:
    page = old_house.client.get("/shelves", params={"days": 90}).text
    # 2.7, 2.9 and 3.1 kg from 0.5 kg each on the top shelf.
    top = "<td>5.8</td><td>all from 5.4 to 6.2</td><td>3 of 3 runs</td>"
    assert f'<a href="/shelves/1">Top shelf</a></th>{top}' in page
    # 2.7 to 3.7 kg in all: quartiles by linear interpolation.
    everything = "<td>6.4</td><td>the middle half from 5.9 to 6.9</td><td>6 of 6 runs</td>"
    assert f'<th scope="row">Barley, first bag</th>{everything}' in page
    assert f'<th scope="row">January 2026</th>{everything}' in page
    assert "depends on how long before it was watered" in page
    month = old_house.client.get("/shelves", params={"days": 30}).text
    assert "Nothing with both weights was harvested in that time." in month


def test_possible_mould_is_counted_and_not_shared_out(house: House) -> None:
    page = house.client.get("/shelves").text
    assert f"Tray {MOULDY_TRAY}</a></th><td>1 of 1 run</td><td>1 not answered</td>" in page
    assert "None noticed in the other 5 runs." in page
    flag = next(one for one in house.get("/api/flags")["flags"] if one["tray"] == MOULDY_TRAY)
    house.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    page = house.client.get("/shelves").text
    assert "<td>1 of 3 runs</td><td>1 confirmed</td>" in page
    assert "safe" not in page


def test_room_without_finished_runs_says_that_it_cannot_tell(shown_house: House) -> None:
    page = shown_house.client.get("/shelves").text
    assert "<h1>Tray 6 lags behind the trays spread with it</h1>" in page
    untold = "cannot be told before 5 runs of barley have finished. None has so far; one that "
    untold += "finishes today counts from tomorrow."
    assert untold in page
    assert "cannot tell yet: no runs" in page
    for name in ("Top shelf", "Bottom shelf"):
        assert f"over days since spreading on {name}: 3 runs growing, no runs finished." in page
    shelf = shown_house.client.get("/shelves/1").text
    assert "<h1>Top shelf: nothing is noticed to lag behind the trays spread with it</h1>" in shelf
    assert untold in shelf
    shelf = shown_house.client.get("/shelves/2").text
    assert "<h1>Bottom shelf: tray 6 lags behind the trays spread with it</h1>" in shelf
    assert shown_house.client.get("/shelves/9").status_code == 404
    assert shown_house.client.get("/shelves", params={"days": 7}).status_code == 422


def test_empty_room_leads_to_the_set_up(empty_house: House) -> None:
    page = empty_house.client.get("/shelves").text
    assert "<h1>Nothing of barley grows now.</h1>" in page
    assert "No shelf is set up yet." in page
    assert "No run in that time." in page


def test_grains_are_not_mixed(house: House) -> None:
    lot = house.post("/api/lots", name="Wheat, one sack", grain="wheat")["id"]
    at = (EVENING - timedelta(days=1)).isoformat()
    house.post("/api/runs", tray=8, spread_at=at, seed=[{"lot_id": lot, "weight_g": 500.0}])
    page = house.client.get("/shelves", params={"grain": "wheat"}).text
    assert "before 5 runs of wheat have finished" in page
    assert "<h1>Tray 6 lags behind the trays spread with it</h1>" in page
    assert "growing" not in page
    assert ">Barley</a>" in page


def test_the_page_opens_on_the_grain_of_the_trays_that_its_first_line_names(house: House) -> None:
    # Of all in the room, only tray 6 lags; the seed of its batch turns out to have been wheat.
    lot = house.post("/api/lots", name="Wheat, one sack", grain="wheat")["id"]
    seed = [{"lot_id": lot, "weight_g": 500.0}]
    for tray in range(1, 7):
        run = house.get(f"/api/trays/{tray}")["run"]["id"]
        assert house.client.patch(f"/api/runs/{run}", json={"seed": seed}).status_code == 200
    house.post("/api/runs", tray=8, spread_at=(EVENING - timedelta(days=1)).isoformat())
    page = house.client.get("/shelves").text
    assert "<h1>Tray 6 lags behind the trays spread with it</h1>" in page
    assert 'aria-current="true">Wheat</a>' in page
    assert "of wheat have finished" in page
    barley = house.client.get("/shelves", params={"grain": "barley"}).text
    assert 'aria-current="true">Barley</a>' in barley


def test_charts_of_shelves_are_drawn_and_kept(plain_phone: Page, house: House) -> None:
    plain_phone.goto("/shelves/1")
    chart = plain_phone.get_by_alt_text("Chart of the height over days since spreading")
    expect(chart).to_be_visible()
    for path in ("/charts/shelves", "/charts/shelves/1"):
        drawn = house.client.get(path, params={"size": "desk"})
        assert drawn.headers["content-type"] == "image/svg+xml"
        kept = {"If-None-Match": drawn.headers["etag"]}
        query = {"size": "desk"}
        assert house.client.get(path, params=query, headers=kept).status_code == 304


def test_shelf_compares_by_warmth_where_the_air_was_read(old_house: House) -> None:
    page = old_house.client.get("/shelves/1").text
    assert "No readings of the air carry these runs, so they are compared by age alone." in page
    assert "Height by warmth" not in page
    for shelf, warm_c in ((1, 22.0), (2, 20.0)):
        for hours in range(0, 9 * 24, 8):
            read_at = EVENING - SIX_WEEKS + timedelta(hours=hours)
            body = {"temperature_c": warm_c, "shelf_id": shelf, "read_at": read_at.isoformat()}
            old_house.post("/api/readings", **body)
    page = old_house.client.get("/shelves/1").text
    assert "Chart of the cover over thermal time on Top shelf: no runs growing, 3 runs" in page
    usual = old_house.get("/api/shelves/1/curves")["thermal_usual"]
    assert usual["runs"] == 3
    doubt = 1.96 * usual["lag_uncertainty_degree_days"]
    assert f"give or take {doubt:.0f} °C d, 3 runs" in page
    height = usual["mean"][usual["degree_days"].index(120.0)] / 10
    by_warmth = page.split('aria-label="Height by warmth"')[1]
    row = by_warmth.split('<th scope="row" class="number">120</th>')[1].split("</tr>")[0]
    assert f'<td class="number">{height:.1f}</td>' in row
    assert len(page) < 150_000
    # The runs of today have no air and are counted as such.
    assert "The warmth of 3 of 6 runs is not known." in page
    for kind in ("height", "cover", "thermal", "thermal-cover"):
        asked = {"kind": kind, "grain": "barley", "size": "desk"}
        chart = old_house.client.get("/charts/shelves/1", params=asked)
        assert "usual on this" in chart.text


def test_charts_of_a_grain_are_asked_for_by_it(old_house: House) -> None:
    page = old_house.client.get("/shelves/1", params={"grain": "barley"}).text
    address = page.split('srcset="')[1].split('"')[0].replace("&amp;", "&")
    assert address.startswith("/charts/shelves/1?kind=height&grain=barley&size=")
    assert (
        old_house.client.get(address).text
        == old_house.client.get("/charts/shelves/1", params={"size": "desk"}).text
    )
