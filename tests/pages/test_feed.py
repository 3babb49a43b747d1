"""Feed and cleaning as they are written down: what does not add up or must not meet is asked."""

from typing import Any

import pytest

from service.models.runs import Chore
from service.pages.chores.chore_doubts import mixed_words
from tests.pages.house import EVENING, MOULDY_TRAY, House
from tests.pages.test_room_forms import harvest, said, words


def feed(house: House, weight: str, at: str = "2026-03-07T18:00", **more: str) -> str:
    form = {"form": "chore", "title": "Goats", "kind": "feed", "done": "yes", "fed": weight}
    return said(house.client.post("/chores", data={**form, "planned_for": at, **more}))[0]


def test_more_fed_than_was_harvested_is_asked_about_and_kept(house: House) -> None:
    asked = "is the weight right, and is every harvest written down?"
    assert feed(house, "12") == (
        "Done: Goats. 12 kg fed, but nothing was harvested and not yet fed as written: " + asked
    )
    house.watch.forward(hours=1)
    said(harvest(house, 1, weight="3.6", harvested_at="2026-03-07T18:10"))
    assert feed(house, "2", "2026-03-07T18:30") == "Done: Goats."
    assert feed(house, "2", "2026-03-07T18:40").startswith(
        "Done: Goats. 2 kg fed, but only 1.6 kg was harvested and not yet fed as written: "
    )
    assert len(house.get("/api/chores")) == 3
    # What nobody weighed may be any weight.
    said(harvest(house, 2))
    house.watch.forward(hours=1)
    assert feed(house, "30", "2026-03-07T19:30") == "Done: Goats."


def test_feed_names_its_trays_and_its_lot(house: House) -> None:
    feed(house, "2", fed_trays="1-3", fed_lot="1")
    (chore,) = house.get("/api/chores")
    assert chore["details"] == {"weight_g": 2000.0, "trays": "1, 2, 3", "lot_id": 1}
    report = words(house.client.get("/print/report?from=2026-03-01&to=2026-03-31"))
    assert "weight: 2 kg; trays: 1, 2, 3; lot: Barley, first bag" in report


def test_the_report_adds_feed_up_and_shows_what_was_thrown(house: House) -> None:
    said(harvest(house, 1, weight="3.6"))
    said(harvest(house, 2, weight="3.0", reason="other"))
    said(harvest(house, 3, weight="2.2", reason="thrown"))
    house.watch.forward(hours=2)
    feed(house, "2", "2026-03-07T19:00", refusals="0.5")
    months = "/print/report?from=2026-03-01&to=2026-03-31"
    report = words(house.client.get(months))
    assert "Harvested or taken for something else, 2 times 6.6 kg" in report
    assert "Thrown, as far as it was weighed 2.2 kg" in report
    assert (
        "without what was taken for something else 3.6 kg Fed out, 1 time 2 kg of this, left over "
        "by the animals" in report
    )
    assert "Harvested, and not written down as fed 1.6 kg" in report
    # Its row says so too: it was "not recorded" beside a sum that held it.
    assert "thrown 2.2 kg thrown" in report
    assert "6.6 kg; 2.2 kg thrown" in report
    feed(house, "4", "2026-03-07T19:10")
    report = words(house.client.get(months))
    assert "Fed out beyond what was harvested in the period 2.4 kg" in report


@pytest.mark.parametrize(
    ("title", "details", "asked"),
    [
        ("Trays", {"product": "household bleach", "cleaned": "trays"}, ""),
        ("Trays", {"product": "vinegar"}, ""),
        ("Trays", {"product": "household bleach with vinegar"}, " Bleach and vinegar in one"),
        ("Bleach the trays", {"product": "Citric acid"}, " Bleach and citric in one cleaning:"),
    ],
)
def test_bleach_with_an_acid_in_one_cleaning_is_warned_of(
    title: str, details: dict[str, Any], asked: str
) -> None:
    known = dict.fromkeys(Chore.model_fields)
    told = {"id": 1, "entry_id": 1, "first_entered_at": EVENING, "entered_at": EVENING}
    chore = Chore.model_validate(
        {**known, **told, "kind": "clean", "title": title, "details": details}
    )
    assert mixed_words(chore).startswith(asked)
    assert bool(mixed_words(chore)) == bool(asked)


def test_feed_of_a_tray_under_possible_mould_is_asked_about_first(house: House) -> None:
    flag = next(one for one in house.get("/api/flags")["flags"] if one["tray"] == MOULDY_TRAY)
    open_words = feed(house, "2", "2026-03-07T17:30", fed_trays=f"1, {MOULDY_TRAY}")
    assert f"Tray {MOULDY_TRAY} was " in open_words
    assert "Tray 1 " not in open_words
    house.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    house.watch.forward(hours=1)
    held = feed(house, "2", "2026-03-07T18:30", fed_trays=str(MOULDY_TRAY))
    assert f"Tray {MOULDY_TRAY} was on hold for possible mould: hold that feed" in held
    assert "ask a vet" in held
    assert "on hold" not in feed(house, "2", "2026-03-07T18:40", fed_trays="1")
    assert feed(house, "2", "2026-03-07T18:50", fed_trays="95").startswith("Done: Goats.")
    # It stood so when it was taken, whatever became of the tray afterwards.
    said(harvest(house, MOULDY_TRAY, harvested_at="2026-03-07T18:55"))
    house.watch.forward(hours=1)
    later = feed(house, "2", "2026-03-07T19:10", fed_trays=str(MOULDY_TRAY))
    assert "was on hold for possible mould" in later


def test_feed_of_a_tray_in_which_mould_was_found_after_it_was_taken(house: House) -> None:
    flag = next(one for one in house.get("/api/flags")["flags"] if one["tray"] == MOULDY_TRAY)
    house.post(f"/api/flags/{flag['id']}/done")
    house.watch.forward(minutes=30)
    said(harvest(house, MOULDY_TRAY, harvested_at="2026-03-07T18:25"))
    house.watch.forward(minutes=5)
    taken = feed(house, "1", "2026-03-07T18:32", fed_trays=str(MOULDY_TRAY))
    assert "possible mould" not in taken
    house.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    house.watch.forward(minutes=30)
    told = feed(house, "1", "2026-03-07T19:00", fed_trays=str(MOULDY_TRAY))
    assert f"Tray {MOULDY_TRAY} was on hold for possible mould" in told
