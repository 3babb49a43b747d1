"""When a tray will be ready, in words that never contradict the interval beside them."""

from datetime import timedelta

import pytest

from service.models.growth import Forecast
from service.models.room import Room
from service.pages.growth.forecast_words import interval_words, ready_words
from service.pages.words import Say
from tests.pages.house import EVENING, House
from tests.pages.test_room_forms import words

# A Saturday, 18:00 in the room's zone.
NOW = EVENING


def forecast(at: float, low: float, high: float) -> Forecast:
    """Hours from now."""
    return Forecast(
        target_shoot_height_mm=150.0,
        target_day=8.0,
        coverage=0.9,
        harvest_at=NOW + timedelta(hours=at),
        low_at=NOW + timedelta(hours=low),
        high_at=NOW + timedelta(hours=high),
    )


@pytest.mark.parametrize(
    ("hours", "ready", "interval"),
    [
        ((40, 30, 50), "ready on Monday about 10:00, give or take 10 hours", "9 times in 10"),
        ((40, -5, 45), "ready on Monday about 10:00, perhaps already now", "9 times in 10"),
        (
            (40, 10, 45),
            "ready on Monday about 10:00, perhaps already tomorrow about 04:00",
            "Between tomorrow 04:00 and Monday 9 March 15:00",
        ),
        ((40, 36, 60), "ready on Monday about 10:00, perhaps only on Tuesday about 06:00", ""),
        ((40, 20, 40), "due on Monday about 10:00", "be tall enough from tomorrow 14:00 on."),
        ((40, 40, 40), "due on Monday about 10:00", "harvested, whatever its height."),
    ],
)
def test_the_hour_and_its_interval_agree(
    house: House, hours: tuple[float, float, float], ready: str, interval: str
) -> None:
    say = Say(Room.model_validate(house.get("/api/room")), NOW)
    told = forecast(*hours)
    assert ready_words(told, say) == ready
    assert interval in interval_words(told, say)


def test_a_tray_never_measured_goes_by_its_days_and_equal_trays_agree(house: House) -> None:
    trays = (31, 32, 33)
    lot = [{"lot_id": 1, "weight_g": 500.0}]
    house.watch.now = NOW + timedelta(days=1)
    for tray in trays:
        house.post("/api/runs", tray=tray, spread_at=NOW.isoformat(), seed=lot)
    due = {house.get(f"/api/trays/{tray}")["forecast"]["harvest_at"] for tray in trays}
    assert len(due) == 1
    page, room = words(house.client.get("/trays/31")), words(house.client.get("/room"))
    assert "not photographed yet in this run, by its days due about " in page
    assert "No height of it was measured yet: that is how such trays grow." in page
    assert room.count("by its days due about ") == len(trays)
    assert "roots" not in room
