"""The morning's message says what the first page says: looks, holds, what to look at first."""

from datetime import timedelta

import pytest

from service.messages.notifications import Notifier
from tests.service.conftest import Room
from tests.service.flags.test_attention import at, look, mouldy, only, snap, spread
from tests.service.flags.test_look_first import spread_of_one_lot
from tests.service.messages.test_notifications import Postbox


@pytest.fixture
def box() -> Postbox:
    return Postbox()


def digest(room: Room, box: Postbox, day: float) -> tuple[str, str]:
    """Title and text of the message of the morning of a day; what was to be told at once is not."""
    room.watch.now = at(day)
    look(room)
    Notifier(room.service, box).look()
    return box.sent[-1]


def told(room: Room) -> None:
    """Somebody who hears of everything in the morning, at 07:00 in UTC."""
    room.post(
        "/api/notifications/targets",
        name="Grower",
        address="json://127.0.0.1:9/token",
        digest_at="08:00",
        at_once=[],
    )


def test_beside_confirmed_mould_it_says_to_look_before_harvesting(room: Room, box: Postbox) -> None:
    told(room)
    spread_of_one_lot(room, 17, 18)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    flag = only(room, "possible mould")
    room.post(f"/api/flags/{flag['id']}/verdict", verdict="right")
    title, text = digest(room, box, 5.0)
    # Whose mould was found is not due yet: it stands on hold all the same.
    assert title.endswith(": 0 to look at, 0 to harvest")
    assert "On hold: do not feed:\n- Tray 17: somebody found mould, Fri 6 Mar 02:01" in text
    assert "A photo cannot smell" in text
    title, text = digest(room, box, 8.0)
    assert title.endswith(", 2 to harvest")
    harvest = text.split("Harvest:\n")[1].split("\n\n")[0].split("\n")
    (held,) = [line for line in harvest if line.startswith("- Tray 17")]
    assert held.endswith("; on hold: do not feed")
    (beside,) = [line for line in harvest if line.startswith("- Tray 18")]
    assert beside.endswith(
        "; look first: mould was found in tray 17, beside it or with the same water or seed"
    )


def test_overdue_trays_are_among_those_to_look_at(room: Room, box: Postbox) -> None:
    told(room)
    spread(room, 17, 18, target_day=5.0)
    for tray in (17, 18):
        snap(room, tray, 6.9)
    look(room)
    assert only(room, "overdue")["trays"] == [17, 18]
    title, text = digest(room, box, 7.0)
    assert title.endswith(": 2 to look at, 2 to harvest")
    assert text.count("Tray 17") == 1


def test_what_was_told_before_names_its_place_and_its_trays(room: Room, box: Postbox) -> None:
    told(room)
    rack = room.post("/api/racks", name="R")["id"]
    shelf = room.post("/api/shelves", rack_id=rack, name="Upper", level=1)["id"]
    spread(room, 17)
    for day in (1, 2):
        room.watch.now = at(day) - timedelta(hours=1)
        room.post("/api/readings", shelf_id=shelf, temperature_c=33.0)
        snap(room, 17, day - 0.02)
        title, text = digest(room, box, day)
        assert title.endswith(": 1 to look at, 0 to harvest")
    assert "Told before, still open:\n- Upper has been too hot (33 °C) since" in text
