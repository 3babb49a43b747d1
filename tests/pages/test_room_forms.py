"""Forms that write down what was done with trays: what they enter, undo, and refuse."""

import json
import re
from base64 import urlsafe_b64decode
from datetime import timedelta
from html import unescape
from typing import Any

import httpx2
import pytest
from starlette.datastructures import FormData

from service.log.refusals import Refusal
from service.pages.forms.forms import Typed
from service.pages.forms.tray_numbers import tray_numbers
from tests.pages.house import EVENING, MOULDY_TRAY, House


def said(answer: httpx2.Response) -> tuple[str, list[str]]:
    """Words and undo of what was just done; the answer leads on to a page."""
    assert answer.status_code == 303, words(answer)
    cookie = re.search(r'trayvision_notice="?([^";]+)', answer.headers["set-cookie"])
    assert cookie is not None
    notice: dict[str, Any] = json.loads(urlsafe_b64decode(cookie[1]))
    return notice["words"], notice["undo"]


def words(answer: httpx2.Response) -> str:
    """What a page says, without its tags."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", answer.text)))


def state(house: House, tray: int) -> str:
    return str(house.get(f"/api/trays/{tray}")["state"])


def harvest(house: House, tray: int, **more: str) -> httpx2.Response:
    run = house.get(f"/api/trays/{tray}")["run"]["id"]
    return house.client.post(
        f"/runs/{run}/harvest", data={"part": "whole", "reason": "harvested", **more}
    )


@pytest.mark.parametrize(
    ("typed", "ticked", "numbers"),
    [
        ("1, 2, 3, 14", [], (1, 2, 3, 14)),
        ("1-3 and 14", [], (1, 2, 3, 14)),
        ("14; 1 – 3", ["3", "9"], (14, 1, 2, 3, 9)),
        ("", ["95", "0"], (95, 0)),
    ],
)
def test_trays_are_typed_or_ticked(typed: str, ticked: list[str], numbers: tuple[int, ...]) -> None:
    form = FormData([("trays", typed), *(("tick", one) for one in ticked)])
    assert tray_numbers(Typed(form)) == numbers


@pytest.mark.parametrize(
    ("typed", "rule"),
    [
        ("", "must name at least one tray, got nothing"),
        ("96", "must be numbers of kits, 0 to 95, got 96"),
        ("3-120", "must be numbers of kits, 0 to 95, got 120"),
        ("9-7", "must go from the lower to the higher number, got '9-7'"),
        ("top shelf", "must be numbers such as 1, 2, 3, 14 or 1-3, got 'top'"),
        ("²", "must be numbers such as 1, 2, 3, 14 or 1-3, got '²'"),
    ],
)
def test_what_is_no_tray_is_named(typed: str, rule: str) -> None:
    with pytest.raises(Refusal, match=re.escape(rule)):
        tray_numbers(Typed(FormData([("trays", typed)])))


def test_one_tap_starts_a_tray_as_last_time_and_undo_takes_it_back(house: House) -> None:
    said(harvest(house, 1, weight="3,6"))
    done, undo = said(house.client.post("/room/start", data={"trays": "1", "as_last_time": "yes"}))
    assert done == "Tray 1 started."
    run = house.get("/api/trays/1")["run"]
    assert run["spread_at"] == "2026-03-07T17:00:00Z"
    assert run["soaked_at"] == "2026-03-07T05:00:00Z"
    assert run["seed"] == [{"lot_id": 1, "weight_g": 500.0}]
    assert house.client.post("/undo", data={"entry": undo}).status_code == 303
    assert state(house, 1) == "empty"


def test_several_trays_are_started_back_dated_with_their_places_and_undone_together(
    house: House,
) -> None:
    form = {
        "trays": "7, 8",
        "tick": ["14"],
        "spread_at": "2026-03-06T08:00",
        "spread_at_shown": "2026-03-07T18:00",
        "soak_hours": "12",
        "lot_1": "1",
        "weight_1": "0,485",
        "place": "shelf:2",
        "note": "yesterday's soaked seed",
    }
    done, undo = said(house.client.post("/room/start", data=form))
    new = "7, 8 and 14 are new numbers here: are they right?"
    assert done == f"Trays 7, 8 and 14 started. {new}"
    for number in (7, 8, 14):
        tray = house.get(f"/api/trays/{number}")
        run = tray["run"]
        # 08:00 and 20:00 of the evening before in Vienna, an hour ahead of UTC in winter.
        assert (run["spread_at"], run["soaked_at"]) == (
            "2026-03-06T07:00:00Z",
            "2026-03-05T19:00:00Z",
        )
        assert (run["seed"], run["note"]) == (
            [{"lot_id": 1, "weight_g": 485.0}],
            "yesterday's soaked seed",
        )
        assert tray["shelf_id"] == 2
    house.client.post("/undo", data={"entry": undo})
    # With the runs go the trays that they brought into the log.
    assert [one["tray"] for one in house.get("/api/trays")["trays"]] == [1, 2, 3, 4, 5, 6]


def test_a_form_left_open_for_hours_still_means_now(house: House) -> None:
    said(harvest(house, 1))
    house.watch.now = EVENING + timedelta(hours=3)
    form = {
        "trays": "1",
        "spread_at": "2026-03-07T18:00",
        "spread_at_shown": "2026-03-07T18:00",
    }
    said(house.client.post("/room/start", data=form))
    assert house.get("/api/trays/1")["run"]["spread_at"] == "2026-03-07T20:00:00Z"


def test_a_new_bag_and_the_rest_of_the_old_one_in_one_tray(house: House) -> None:
    form = {
        "trays": "9",
        "name": "Wheat, second bag",
        "grain": "wheat",
        "bag_weight": "20",
        "supplier": "Mill (invented)",
        "germination": "92",
        "lot_1": "1",
        "weight_1": "0.4",
        "lot_2": "1",
        "weight_2": "0.1",
    }
    _, undo = said(house.client.post("/room/start", data=form))
    lot = house.get("/api/lots")[1]
    assert (lot["name"], lot["grain"], lot["weight_kg"], lot["germination_share"]) == (
        "Wheat, second bag",
        "wheat",
        20.0,
        0.92,
    )
    assert house.get("/api/trays/9")["run"]["seed"] == [
        {"lot_id": 1, "weight_g": 100.0},
        {"lot_id": 2, "weight_g": 400.0},
    ]
    house.client.post("/undo", data={"entry": undo})
    assert len(house.get("/api/lots")) == 1


def test_starting_a_tray_that_still_grows_ends_its_run_and_says_so(house: House) -> None:
    assert "Tray 2 still grows" in words(house.client.get("/room/start?tray=2"))
    done, undo = said(house.client.post("/room/start", data={"trays": "2"}))
    assert done == "Tray 2 started. The run before ends there without a harvest in tray 2."
    runs = house.get("/api/trays/2/runs")
    assert [run["ended_reason"] for run in runs] == ["next run started", None]
    house.client.post("/undo", data={"entry": undo})
    assert [run["ended_reason"] for run in house.get("/api/trays/2/runs")] == [None]


@pytest.mark.parametrize(
    ("form", "rule", "status"),
    [
        ({"trays": "7, 120"}, "Trays must be numbers of kits, 0 to 95, got 120", 422),
        (
            {"trays": "7, 2", "spread_at": "2026-03-02T09:30"},
            "the run of this tray , spread Monday 2 March 09:00; correct that run instead (tray 2)",
            409,
        ),
        ({"trays": "7", "lot_1": "77"}, "Seed lot 77 is not in the log", 404),
        (
            {"trays": "7", "lot_1": "1", "weight_1": "half"},
            "Seed in each tray must be a number, got 'half'",
            422,
        ),
        (
            {"trays": "7", "lot_1": "1", "weight_1": "-3"},
            "Seed in each tray must be more than 0 and at most 1000 kg, got '-3'",
            422,
        ),
        ({"trays": "7", "weight_2": "1"}, "Second lot must be chosen where a weight", 422),
        ({"trays": "7", "lot_1": "1", "lot_2": "1"}, "Seed lots must name each lot once", 422),
        ({"trays": "7", "soak_hours": "999"}, "hours must be 0 to 336, got '999'", 422),
        ({"trays": "7", "spread_at": "soon"}, "Spread must be a date with a time", 422),
        ({"trays": "7", "bag_weight": "20"}, "New bag: name must be given", 422),
        ({"trays": "7", "name": "Barley, first bag"}, "name must be new", 409),
        ({"trays": "7", "place": "shelf:9"}, "Where they stand shelf:9 is not in the log", 404),
    ],
)
def test_a_start_that_breaks_a_rule_keeps_what_was_typed_and_enters_nothing(
    shown_house: House, form: dict[str, str], rule: str, status: int
) -> None:
    house = shown_house
    answer = house.client.post("/room/start", data={"note": "with care", **form})
    assert answer.status_code == status
    assert rule in words(answer)
    assert 'value="with care"' in answer.text
    assert f'value="{form["trays"]}"' in answer.text
    assert len(house.get("/api/trays")["trays"]) == 6
    assert len(house.get("/api/lots")) == 1


def test_a_start_before_the_last_harvest_is_refused(house: House) -> None:
    said(harvest(house, 1))
    form = {"trays": "1", "spread_at": "2026-03-06T09:00"}
    answer = house.client.post("/room/start", data=form)
    rule = "must not be earlier than the harvest of tray 1 at today 18:00"
    assert (answer.status_code, rule in words(answer)) == (422, True)


def test_a_tray_is_taken_in_parts_then_whole_and_each_is_undone(house: House) -> None:
    done, _ = said(harvest(house, 1, part="part", weight="1,2"))
    assert done == "A part of tray 1 harvested, 1.2 kg."
    assert state(house, 1) == "growing"
    done, undo = said(harvest(house, 1, weight="2.4"))
    assert (done, state(house, 1)) == ("Tray 1 harvested, 2.4 kg.", "empty")
    runs = house.get("/api/trays/1/runs")
    assert runs[0]["harvest_weight_g"] == pytest.approx(3600.0)
    house.client.post("/undo", data={"entry": undo})
    assert state(house, 1) == "growing"


def test_a_forgotten_harvest_is_entered_after_the_next_start(house: House) -> None:
    first = house.get("/api/trays/2")["run"]["id"]
    said(house.client.post("/room/start", data={"trays": "2"}))
    form = {"part": "whole", "reason": "harvested", "weight": "3"}
    late = house.client.post(f"/runs/{first}/harvest", data=form)
    assert late.status_code == 303
    house.watch.now = EVENING + timedelta(hours=1)
    later = house.client.post(f"/runs/{first}/harvest", data={**form, "reason": "other"})
    assert later.status_code == 422
    assert "ended" in words(later) or "spread again" in words(later)


@pytest.mark.parametrize(
    ("form", "rule"),
    [
        (
            {"harvested_at": "2026-03-01T08:00", "weight": "3,6"},
            "Taken must not be earlier than the spreading Monday 2 March 09:00, got Sunday 1",
        ),
        ({"weight": "3.6 kg"}, "Weight must be a number, got '3.6 kg'"),
        ({"weight": "0"}, "Weight must be more than 0 and at most 1000 kg, got '0'"),
        ({"weight": "3", "reason": ""}, "What became of it must be chosen, got nothing"),
        ({"weight": "3", "reason": "eaten"}, "What became of it must be"),
    ],
)
def test_a_harvest_that_breaks_a_rule_keeps_what_was_typed(
    shown_house: House, form: dict[str, str], rule: str
) -> None:
    answer = harvest(shown_house, 1, **form, note="roots white")
    assert answer.status_code == 422
    assert rule in words(answer)
    assert f'value="{form.get("weight", "")}"' in answer.text
    assert 'value="roots white"' in answer.text
    assert state(shown_house, 1) == "growing"


def test_a_tray_on_hold_says_so_beside_its_harvest_and_suggests_no_use(house: House) -> None:
    run = house.get(f"/api/trays/{MOULDY_TRAY}")["run"]["id"]
    page = house.client.get(f"/runs/{run}/harvest")
    assert "Hold: do not feed" in words(page)
    assert 'value="harvested" required>' in page.text
    assert "Feed" not in words(page).replace("do not feed", "")
    sound = house.client.get("/runs/1/harvest")
    assert 'value="harvested" required checked>' in sound.text
    assert "Hold" not in words(sound)
    assert 'value="thrown" required>' in sound.text


def test_harvest_names_the_mould_that_stood_open_before_and_after(house: House) -> None:
    run = house.get(f"/api/trays/{MOULDY_TRAY}")["run"]["id"]
    flag = next(one for one in house.get("/api/flags")["flags"] if one["tray"] == MOULDY_TRAY)
    house.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    assert "Somebody looked and found mould." in words(house.client.get(f"/runs/{run}/harvest"))
    done, _ = said(harvest(house, MOULDY_TRAY, weight="3"))
    assert done == (
        "Tray 3 harvested, 3 kg. Tray 3 was on hold: somebody had found mould; the report says so."
    )
    done, _ = said(harvest(house, 1, weight="3"))
    assert done == "Tray 1 harvested, 3 kg."


def test_trays_rest_only_once_they_are_harvested(house: House) -> None:
    early = house.client.post("/room/states", data={"trays": "1, 2", "state": "resting"})
    assert early.status_code == 422
    assert "tray 1 grew at today 18:00; enter its harvest first" in words(early)
    said(harvest(house, 1))
    said(harvest(house, 2))
    done, undo = said(house.client.post("/room/states", data={"trays": "1, 2", "state": "resting"}))
    assert done == "Trays 1 and 2: washed and at rest."
    assert (state(house, 1), state(house, 2)) == ("resting", "resting")
    house.client.post("/undo", data={"entry": undo})
    assert (state(house, 1), state(house, 2)) == ("empty", "empty")
    done, _ = said(house.client.post("/room/states", data={"trays": "1", "state": "retired"}))
    assert (done, state(house, 1)) == ("Tray 1: out of use.", "retired")
    unknown = house.client.post("/room/states", data={"trays": "40", "state": "empty"})
    assert (unknown.status_code, "Tray 40 is not in the log" in words(unknown)) == (404, True)


def test_trays_are_moved_together_twice_and_swapped(house: House) -> None:
    for name in ("1", "2", "10"):
        house.post("/api/positions", shelf_id=2, name=name)
    done, _ = said(house.client.post("/room/move", data={"trays": "1, 2", "place": "position:2"}))
    assert done == "Trays 1 and 2: from Rack by the door, Bottom shelf, position 2."
    trays = [house.get(f"/api/trays/{number}") for number in (1, 2)]
    # Position 3 is named 10 and stands right of position 2, named 2.
    assert [(one["shelf_id"], one["position_id"]) for one in trays] == [(2, 2), (2, 3)]
    full = house.client.post("/room/move", data={"trays": "1-3", "place": "position:2"})
    rule = "must have 3 positions from there on in its rack, but has 2"
    assert (full.status_code, rule in words(full)) == (422, True)
    back, undo = said(house.client.post("/room/move", data={"trays": "1", "place": "shelf:1"}))
    assert back == "Tray 1: now Rack by the door, Top shelf."
    assert len(house.get("/api/trays/1/placements")) == 3
    house.client.post("/undo", data={"entry": undo})
    assert house.get("/api/trays/1")["position_id"] == 2
    done, undo = said(house.client.post("/room/swap", data={"trays": "1", "swap_with": "3"}))
    assert done == "Trays 1 and 3 changed places."
    assert house.get("/api/trays/3")["position_id"] == 2
    assert house.get("/api/trays/1")["shelf_id"] == 1
    house.client.post("/undo", data={"entry": undo})
    assert house.get("/api/trays/3")["shelf_id"] == 1


@pytest.mark.parametrize(
    ("path", "form", "rule"),
    [
        ("move", {"trays": "1"}, "Where they stand must be chosen, got nothing"),
        ("move", {"trays": "50", "place": "off"}, "Tray 50 is not in the log"),
        ("swap", {"trays": "1", "swap_with": "1"}, "must be another tray, got 1 twice"),
        ("swap", {"trays": "1", "swap_with": "2, 3"}, "must be one tray each, got more"),
        ("swap", {"trays": "1", "swap_with": "x"}, "tray must be numbers such as"),
        ("swap", {"trays": "1"}, "must name at least one tray"),
    ],
)
def test_a_move_that_breaks_a_rule_moves_nothing(
    shown_house: House, path: str, form: dict[str, str], rule: str
) -> None:
    answer = shown_house.client.post(f"/room/{path}", data=form)
    assert answer.status_code in (404, 422)
    assert rule in words(answer)
    assert len(shown_house.get("/api/trays/1/placements")) == 1


def test_a_tray_is_registered_undone_and_registered_again(house: House) -> None:
    done, undo = said(house.client.post("/room/new-tray", data={"number": "20"}))
    assert done.startswith("Tray 20 registered.")
    house.client.post("/undo", data={"entry": undo})
    assert len(house.get("/api/trays")["trays"]) == 6
    form = {"number": "20", "size": "600x400x60"}
    said(house.client.post("/room/new-tray", data=form))
    assert house.get("/api/trays/20")["size"] == "600x400x60"
    taken = house.client.post("/room/new-tray", data={"number": "3"})
    assert (taken.status_code, "tray 3 is in the log" in words(taken)) == (409, True)
    beyond = house.client.post("/room/new-tray", data={"number": "96", "note": "wide"})
    assert (beyond.status_code, "0 to 95, got 96" in words(beyond)) == (422, True)
    assert 'value="wide"' in beyond.text


def test_a_part_of_a_tray_is_put_into_another_and_undone(house: House) -> None:
    run = house.get("/api/trays/1")["run"]
    form = {"tray": "9", "share": "0.333", "back": "/trays/1"}
    done, undo = said(house.client.post(f"/runs/{run['id']}/split", data=form))
    assert done == "A third of tray 1 put into tray 9. 9 is a new number here: is it right?"
    part = house.get("/api/trays/9")["run"]
    assert (part["split_from_id"], part["spread_at"]) == (run["id"], run["spread_at"])
    assert "A part of tray 1, put into this one" in words(house.client.get("/trays/9"))
    whole = words(house.client.get("/trays/1"))
    assert "A part of it was put into tray 9" in whole
    assert "cover and bare floor are not judged" in whole
    assert "A part put into tray 9" in words(house.client.get(f"/runs/{part['id']}"))
    house.client.post("/undo", data={"entry": undo})
    assert state(house, 9) == "empty"
    assert house.get("/api/trays/1")["run"]["seed"] == run["seed"]


def test_a_split_that_cannot_be_keeps_what_was_typed(house: House) -> None:
    run = house.get("/api/trays/1")["run"]["id"]
    for typed, rule in (
        ({"tray": "1", "share": "0.5"}, "must be another tray than 1, got the same"),
        ({"tray": "2 and 3", "share": "0.5"}, "must be one tray, got 2"),
        ({"tray": "", "share": "0.5"}, "must name at least one tray, got nothing"),
        ({"tray": "9"}, "must be chosen, got nothing"),
        ({"tray": "2", "share": "0.5"}, "must be a free one, but something grows in tray 2"),
        (
            {"tray": "2", "share": "0.5", "ends": "2", "split_at": "2026-02-01T08:00"},
            "must be later than",
        ),
    ):
        answer = house.client.post(f"/runs/{run}/split", data=typed)
        assert answer.status_code == 422
        assert rule in words(answer)
        assert f'value="{typed["tray"]}"' in answer.text
    assert house.get(f"/api/runs/{run}")["seed"] == [{"lot_id": 1, "weight_g": 500.0}]


def test_a_split_into_a_growing_tray_asks_before_that_run_ends(house: House) -> None:
    run = house.get("/api/trays/1")["run"]["id"]
    house.post("/api/trays", number=40)
    assert "Free: 40." in words(house.client.get(f"/runs/{run}/split"))
    form = {"tray": "2", "share": "0.5"}
    asked = house.client.post(f"/runs/{run}/split", data=form)
    assert asked.status_code == 422
    assert "What grows in tray 2 ends there, without a harvest" in words(asked)
    # A tick for another tray says nothing of this one.
    assert house.client.post(f"/runs/{run}/split", data={**form, "ends": "3"}).status_code == 422
    done, _ = said(house.client.post(f"/runs/{run}/split", data={**form, "ends": "2"}))
    assert "What lay in tray 2 before ended without a harvest." in done


def test_a_number_that_is_new_is_asked_about_and_undone_with_its_run(house: House) -> None:
    form = {"trays": "77", "lot_1": "1", "weight_1": "0.5"}
    done, undo = said(house.client.post("/room/start", data=form))
    assert done.startswith("Tray 77 started. 77 is a new number here: is it right?")
    house.client.post("/undo", data={"entry": undo})
    assert 77 not in [one["tray"] for one in house.get("/api/trays")["trays"]]
    said(harvest(house, 1))
    done, _ = said(house.client.post("/room/start", data={**form, "trays": "1"}))
    assert "new number" not in done


def test_one_tap_spreads_a_trays_own_grain_and_says_so(house: House) -> None:
    wheat = {"trays": "9", "name": "Wheat, first bag", "grain": "wheat", "weight_1": "0.4"}
    said(house.client.post("/room/start", data=wheat))
    said(harvest(house, 1))
    said(harvest(house, 9))
    # The room was spread last with wheat, tray 1 with barley; a new tray has no grain of its own.
    assert "Spread now: 0.5 kg of Barley, first bag (barley)" in words(house.client.get("/trays/1"))
    assert "Spread now: 0.4 kg of Wheat, first bag (wheat)" in words(house.client.get("/trays/9"))
    said(house.client.post("/room/new-tray", data={"number": "40"}))
    assert "Spread now: 0.4 kg of Wheat, first bag" in words(house.client.get("/trays/40"))
    room = words(house.client.get("/room"))
    barley = "last time: 0.5 kg of Barley, first bag (barley), soaked 12 hours before."
    assert f"{barley} Not written as washed: 1 Start 1" in room
    assert "Wheat, first bag (wheat). Start 40 Not written as washed: 9 Start 9" in room
    said(house.client.post("/room/start", data={"trays": "1", "as_last_time": "yes"}))
    assert house.get("/api/trays/1")["run"]["grain"] == "barley"
    # A newer bag of its grain takes the place of the one that it had.
    bag = {"trays": "2", "name": "Barley, second bag", "grain": "barley", "weight_1": "0.5"}
    said(house.client.post("/room/start", data={**bag, "spread_at": "2026-03-07T17:55"}))
    said(harvest(house, 3, reason="thrown"))
    assert "of Barley, first bag" in words(house.client.get("/trays/3"))
    house.watch.forward(hours=2)
    said(house.client.post("/room/start", data={"trays": "4", "lot_1": "3", "weight_1": "0.5"}))
    assert "Spread now: 0.5 kg of Barley, second bag" in words(house.client.get("/trays/3"))


def test_a_newcomers_first_weight_needs_no_second_try(empty_house: House) -> None:
    shown = empty_house.client.get("/room/start").text
    assert "<details open><summary>A new bag was opened" in shown
    assert 'value="Barley, first bag"' in shown
    form = {"trays": "1", "name": "Barley, first bag", "grain": "barley"}
    # A name that only stood there is no bag.
    said(empty_house.client.post("/room/start", data=form))
    assert empty_house.get("/api/lots") == []
    unnamed = empty_house.client.post("/room/start", data={"trays": "2", "weight_1": "0.5"})
    assert unnamed.status_code == 422
    assert "of a bag that is new, give the name below" in words(unnamed)
    assert "<details open><summary>A new bag was opened" in unnamed.text
    said(empty_house.client.post("/room/start", data={**form, "trays": "2", "weight_1": "0.5"}))
    assert empty_house.get("/api/trays/2")["run"]["seed"] == [{"lot_id": 1, "weight_g": 500.0}]
    assert "<details><summary>A new bag" in empty_house.client.get("/room/start").text


def test_a_weight_that_no_tray_holds_is_kept_and_asked_about(house: House) -> None:
    # A tray of 540 x 280 mm is 0.151 m2: 9.1 kg fresh or 1.4 kg of seed are the most.
    done, undo = said(harvest(house, 1, weight="36"))
    assert done == "Tray 1 harvested, 36 kg. 36 kg in one tray: is the decimal point right?"
    assert undo
    assert said(harvest(house, 2, weight="6.7"))[0] == "Tray 2 harvested, 6.7 kg."
    form = {"reason": "harvested", "weight_4": "3.6", "weight_5": "36"}
    done, _ = said(house.client.post("/room/harvest", data=form))
    assert done.endswith(" 36 kg in tray 5: is the decimal point right?")
    seed = {"lot_1": "1", "weight_1": "5"}
    done, _ = said(house.client.post("/room/start", data={"trays": "1", **seed}))
    assert done == (
        "Tray 1 started. 5 kg in tray 1 is 33 kg/m², and 3 to 6 is usual: is the decimal point "
        "right?"
    )
    assert said(house.client.post("/room/start", data={"trays": "2", "as_last_time": "yes"}))[
        0
    ].startswith("Tray 2 started.")


def test_two_trays_in_one_position_are_said(house: House) -> None:
    position = house.post("/api/positions", shelf_id=1, name="place 1")
    for tray in (1, 2):
        form = {"trays": str(tray), "place": f"position:{position['id']}"}
        done, _ = said(house.client.post("/room/move", data=form))
        also = " Tray 1 was written there too: swap, or move it."
        assert done.endswith(also) is (tray == 2)
    said(harvest(house, 1))
    form = {"trays": "3", "place": f"position:{position['id']}"}
    done, _ = said(house.client.post("/room/move", data=form))
    assert done.endswith(" Tray 2 was written there too: swap, or move it.")
