"""Several trays taken at once: each weighed, all weighed together, or none; with one undo."""

import re
from typing import Any

import httpx2
import pytest
from playwright.sync_api import Page, expect

from tests.pages.conftest import assert_accessible
from tests.pages.house import MOULDY_TRAY, House
from tests.pages.test_room_forms import said, words


def _taken(house: House, *trays: int, **more: str) -> httpx2.Response:
    form = {"tick": [str(tray) for tray in trays], "reason": "harvested", **more}
    return house.client.post("/room/harvest", data=form)


def _weights(house: House, *trays: int) -> list[float | None]:
    return [_harvest(house, tray)["weight_g"] for tray in trays]


def _harvest(house: House, tray: int) -> dict[str, Any]:
    run = house.get(f"/api/trays/{tray}/runs")[-1]["id"]
    (harvest,) = house.get(f"/api/runs/{run}/harvests")
    return dict(harvest)


def _state(house: House, tray: int) -> str:
    return str(house.get(f"/api/trays/{tray}")["state"])


def test_a_batch_is_ticked_weighed_written_down_and_undone(phone: Page, house: House) -> None:
    house.watch.forward(days=3)
    phone.goto("/")
    phone.get_by_role("link", name="Write down what was taken").click()
    expect(phone.get_by_role("heading", level=1)).to_have_text("Which trays were taken?")
    assert_accessible(phone)
    for tray in range(1, 7):
        tick = phone.get_by_label(f"Tray {tray}", exact=True)
        if tray != MOULDY_TRAY and tick.count():
            expect(tick).not_to_be_checked()
            tick.set_checked(tray in (1, 2, 4))
    phone.get_by_label("Weight of tray 1, kg").fill("3.6")
    phone.get_by_label("Weight of tray 4, kg").fill("3,2")
    phone.get_by_role("button", name="Write them down").click()
    expect(phone.get_by_role("status").first).to_contain_text(
        "Trays 1, 2 and 4 harvested, 6.8 kg, 2 of 3 weighed."
    )
    expect(phone).to_have_url(re.compile(r"/$"))
    assert _weights(house, 1, 2, 4) == [3600.0, None, 3200.0]
    # What was done is read aloud, and its undo is one Tab away.
    expect(phone.get_by_role("status").first).to_be_focused()
    phone.keyboard.press("Tab")
    expect(phone.get_by_role("button", name="Undo")).to_be_focused()
    phone.keyboard.press("Enter")
    expect(phone.get_by_role("status").first).to_contain_text("Undone.")
    assert [_state(house, tray) for tray in (1, 2, 4)] == ["growing"] * 3


def test_a_tray_with_a_weight_counts_as_taken(house: House) -> None:
    done, _ = said(_taken(house, weight_5="3.1"))
    assert done == "Tray 5 harvested, 3.1 kg in all."
    assert _state(house, 5) == "empty"


def test_one_weight_for_all_is_shared_by_seed_and_says_so(house: House) -> None:
    run = house.get("/api/trays/2")["run"]
    heavy = [{**run["seed"][0], "weight_g": 1000.0}]
    assert house.client.patch(f"/api/runs/{run['id']}", json={"seed": heavy}).status_code == 200
    done, undo = said(_taken(house, 1, 2, weight_together="10.5", note="Windy."))
    assert done == "Trays 1 and 2 harvested, 10.5 kg in all."
    # 500 g and 1000 g of seed: one third and two thirds.
    assert _weights(house, 1, 2) == [3500.0, 7000.0]
    note = "Weighed together, 10.5 kg: trays 1 and 2. The weight here is a share. Windy."
    assert [_harvest(house, tray)["note"] for tray in (1, 2)] == [note, note]
    assert "The weight here is a share" in words(house.client.get("/trays/1"))
    house.client.post("/undo", data={"entry": undo})
    assert [_state(house, tray) for tray in (1, 2)] == ["growing"] * 2


def test_one_weight_is_shared_evenly_where_seed_was_not_weighed(house: House) -> None:
    run = house.get("/api/trays/2")["run"]
    unweighed = [{**run["seed"][0], "weight_g": None}]
    house.client.patch(f"/api/runs/{run['id']}", json={"seed": unweighed})
    said(_taken(house, 1, 2, weight_together="7"))
    assert _weights(house, 1, 2) == [3500.0, 3500.0]


def test_a_batch_is_back_dated_and_thrown(house: House) -> None:
    done, _ = said(_taken(house, 1, 6, reason="thrown", harvested_at="2026-03-07T08:15"))
    assert done == "Trays 1 and 6 thrown, not weighed."
    assert _harvest(house, 6)["harvested_at"] == "2026-03-07T07:15:00Z"


@pytest.mark.parametrize(
    ("trays", "more", "rule"),
    [
        ((), {}, "must name at least one tray, got nothing"),
        ((1, 50), {}, "must be trays in which something grows, got tray 50"),
        ((1,), {"weight_1": "3", "weight_together": "3"}, "must stay empty where trays are"),
        ((1, 2), {"weight_2": "heavy"}, "Weight of tray 2 must be a number, got 'heavy'"),
        ((1, 2), {"reason": ""}, "must be chosen, got nothing"),
        ((1, 2), {"harvested_at": "2026-01-01T08:00"}, "(tray 1)"),
    ],
)
def test_what_breaks_a_rule_takes_no_tray(
    house: House, trays: tuple[int, ...], more: dict[str, str], rule: str
) -> None:
    answer = _taken(house, *trays, **more)
    assert answer.status_code == 422
    assert rule in words(answer)
    assert [_state(house, tray) for tray in range(1, 7)] == ["growing"] * 6


def test_a_tray_on_hold_is_written_down_by_itself(house: House) -> None:
    flags = house.get("/api/flags")["flags"]
    mould = next(one["id"] for one in flags if one["kind"] == "possible mould")
    house.client.post(f"/flags/{mould}/answer", data={"answer": "right"})
    shown = house.client.get(f"/room/harvest?tray={MOULDY_TRAY}&tray=1").text
    assert f'name="tick" value="{MOULDY_TRAY}"' not in shown
    assert "Take out tray 3" in shown
    answer = _taken(house, 1, MOULDY_TRAY)
    assert answer.status_code == 422
    assert "must not be on hold, but tray 3 is" in words(answer)
    assert _state(house, 1) == "growing"


def test_only_trays_with_a_weight_or_a_tick_are_taken_of_those_that_are_due(house: House) -> None:
    house.watch.forward(days=3)
    asked = house.client.get("/room/harvest?tray=1&tray=2&tray=4&tray=5&back=/")
    assert 'value="1"' in asked.text
    assert "checked" not in asked.text.partition("They were weighed all together")[0]
    form = {"reason": "harvested", "weight_1": "3.6", "weight_2": "3.2", "weight_4": ""}
    done, _ = said(house.client.post("/room/harvest", data=form))
    assert done == "Trays 1 and 2 harvested, 6.8 kg in all."
    assert [_state(house, tray) for tray in (1, 2, 4, 5)] == ["empty"] * 2 + ["growing"] * 2


def test_all_that_are_due_are_ticked_by_a_link_without_a_script(house: House) -> None:
    house.watch.forward(days=3)
    asked = house.client.get("/room/harvest?tray=1&tray=2&back=/").text
    link = re.search(r'href="([^"]+)">Tick all that are due', asked)
    assert link is not None
    ticked = house.client.get(link[1].replace("&amp;", "&")).text
    assert "Tick all that are due" not in ticked
    for tray in (1, 2):
        assert re.search(rf'value="{tray}"[^>]* checked', ticked), tray
    assert f'name="tick" value="{MOULDY_TRAY}" checked' not in ticked


def test_a_weight_typed_for_a_tray_that_somebody_else_took_meanwhile_is_told(house: House) -> None:
    said(_taken(house, 1, weight_1="3.9"))
    house.watch.forward(minutes=5)
    refused = words(_taken(house, 1, 2, weight_1="4.1", weight_2="3.8"))
    assert "got tray 1, for which 4.1 was typed" in refused
    assert _weights(house, 1) == [3900.0]
    assert _state(house, 2) == "growing"
