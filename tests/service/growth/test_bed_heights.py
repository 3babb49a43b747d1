"""Shoots are measured from the bed that the first photos of their run show."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from service.photos.inspection_job import InspectionJob
from service.photos.measuring import inspect_job
from tests.service.conftest import START, Room
from trayvision.measurement import Measurement
from trayvision.measures.bed_height import FirstReading, measured_bed_height

RUN_PHOTOS = Path(__file__).parents[3] / "sample_images" / "run"
SPREAD = START - timedelta(days=6)


def photograph(room: Room, day: float, canopy_mm: float, cover: float | None = 0.0) -> int:
    at = SPREAD + timedelta(days=day)
    number: int = room.photograph(17, at, canopy_mm=canopy_mm, cover=cover)["id"]
    return number


def heights(room: Room) -> dict[float, float]:
    """Shoot heights by day."""
    points = room.get("/api/trays/17/curve")["height"]["points"]
    return {point["day"]: point["value"] for point in points}


@pytest.fixture
def growing(room: Room) -> Room:
    room.post("/api/runs", tray=17, spread_at=SPREAD.isoformat())
    return room


def test_later_photos_are_measured_from_the_bed_of_the_first_ones(growing: Room) -> None:
    photograph(growing, 0.1, 10.0)
    photograph(growing, 1.0, 12.0)
    photograph(growing, 4.0, 60.0, cover=0.5)
    assert growing.inspector.jobs[-1].beds[17][0][2] == Measurement(11.0, 2.1, "mm")
    growing.remeasured()
    # What the first photos say of their own shoots rests on the stated default of 14 mm.
    assert heights(growing) == {0.1: 0.0, 1.0: 0.0, 4.0: 49.0}
    assert len(growing.inspector.jobs) == 3


def test_first_photos_that_come_late_have_later_ones_measured_again(growing: Room) -> None:
    photograph(growing, 4.0, 60.0, cover=0.5)
    assert heights(growing) == {4.0: 46.0}
    first = photograph(growing, 0.5, 10.0)
    growing.remeasured()
    assert heights(growing)[4.0] == 50.0
    # Taken back to where it tells nothing, the default holds again.
    before = (SPREAD - timedelta(days=2)).isoformat()
    growing.patch(f"/api/photos/{first}", taken_at=before)
    growing.remeasured()
    assert heights(growing) == {4.0: 46.0}


def test_order_of_arrival_changes_no_height(growing: Room) -> None:
    for day, canopy in ((4.0, 60.0), (1.0, 20.0), (5.0, 80.0), (0.2, 10.0)):
        photograph(growing, day, canopy, cover=0.0 if day < 2 else 0.5)
    growing.remeasured()
    assert heights(growing) == {0.2: 0.0, 1.0: 6.0, 4.0: 45.0, 5.0: 65.0}


def test_shoots_in_the_first_photos_are_no_bed(growing: Room) -> None:
    photograph(growing, 1.0, 25.0, cover=0.2)
    photograph(growing, 4.0, 60.0, cover=0.5)
    assert heights(growing)[4.0] == 46.0


def test_a_later_photo_whose_cover_is_not_known_is_no_bed(growing: Room) -> None:
    photograph(growing, 1.0, 12.0)
    # As under pink light, where nobody can tell that these are shoots.
    photograph(growing, 3.0, 25.0, cover=None)
    photograph(growing, 4.0, 60.0, cover=0.5)
    growing.remeasured()
    assert heights(growing)[4.0] == 48.0


def test_bed_of_one_run_says_nothing_of_the_next(growing: Room) -> None:
    photograph(growing, 0.5, 10.0)
    growing.post("/api/runs", tray=17, spread_at=(SPREAD + timedelta(days=2)).isoformat())
    photograph(growing, 5.0, 60.0, cover=0.5)
    growing.remeasured()
    assert heights(growing) == {3.0: 46.0}


def test_heights_of_a_run_that_has_ended_stay(growing: Room) -> None:
    photograph(growing, 4.0, 60.0, cover=0.5)
    (run,) = growing.get("/api/runs")
    ended = (SPREAD + timedelta(days=5)).isoformat()
    growing.post(f"/api/runs/{run['id']}/harvests", harvested_at=ended)
    photograph(growing, 0.5, 10.0)
    growing.remeasured()
    assert len(growing.inspector.jobs) == 2


def sample(day: int, **given: Any) -> dict[str, Any]:
    """Record of tray 22 of the sample run, as the library measures it."""
    path = RUN_PHOTOS / f"tray22-day{day}.jpg"
    taken_at = datetime(2026, 3, 2, 7, 0, tzinfo=UTC) + timedelta(days=day)
    job = InspectionJob(
        path=path,
        name=path.name,
        received_at=taken_at,
        room_zone="Europe/Vienna",
        tray_size="540x280x60",
        sizes={},
        runs={},
        taken_at=taken_at,
        **given,
    )
    (tray,) = inspect_job(job).record["trays"]
    return dict(tray)


def test_bed_of_the_sample_run_is_measured_and_used() -> None:
    first = sample(0)
    canopy = first["canopy_height_mm"]
    bed = measured_bed_height(
        [FirstReading(Measurement(canopy["value"], canopy["uncertainty"], "mm"), 0.0)]
    )
    truth = json.loads((RUN_PHOTOS / "tray22-day0.json").read_text(encoding="utf-8"))
    assert bed is not None
    assert bed.value == pytest.approx(truth["canopy_height_mm"]["height_at_strip_p50"], abs=2.1)
    assert "bed_height_assumed" in first["doubts"]
    spans = {22: ((datetime(2026, 3, 3, tzinfo=UTC), datetime(2026, 4, 1, tzinfo=UTC), bed),)}
    later = sample(5, beds=spans)
    assert "bed_height_assumed" not in later["doubts"]
    assert later["bed_height_mm"]["value"] == pytest.approx(bed.value, abs=0.05)
    shoots = later["canopy_height_mm"]["value"] - bed.value
    assert later["shoot_height_mm"]["value"] == pytest.approx(shoots, abs=0.1)
