"""No page shows what was so before: pages that were known are those of a fresh start."""

from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest

from service.flags import attention_watch
from service.flags.attention_watch import AttentionWatch
from service.settings import Settings
from tests.service.conftest import START, Room, opened
from tests.service.recorded_inspections import picture_saying

_PAGES = (
    *("/", "/flags", "/room", "/shelves", "/photos", "/print/round", "/trays/7", "/trays/8"),
    *("/print/report?from=2026-02-20&to=2026-03-02", "/charts/runs/1/height", "/runs/1"),
    *("/set-up/data", "/room/move", "/trays/7?runs=all"),
)
_SHELF_PAGES = (
    *("/shelves/{}", "/charts/shelves/{}", "/charts/shelves/{}?kind=cover"),
    "/charts/shelves/{}?kind=thermal",
)


# What is kept knows no database; that each brings the same rows, others test.
pytestmark = pytest.mark.parametrize("settings", ["sqlite"], indirect=True)


@pytest.fixture(autouse=True)
def large_room(monkeypatch: pytest.MonkeyPatch) -> None:
    """Flags are looked at, and pages prepared, by the thread, as in a large room."""
    monkeypatch.setattr(attention_watch, "_FEW_RUNS", -1)


def _watch(room: Room) -> AttentionWatch:
    watch: AttentionWatch = room.client.app.state.attention  # type: ignore[attr-defined]
    return watch


def _settled(room: Room) -> None:
    room.remeasured()
    _watch(room).wait()


def _shown(room: Room) -> dict[str, tuple[int, str]]:
    shelves = [shelf["id"] for shelf in room.get("/api/shelves")]
    paths = [*_PAGES, *(path.format(shelf) for shelf in shelves for path in _SHELF_PAGES)]
    answers = {path: room.client.get(path) for path in paths}
    return {path: (answer.status_code, answer.text) for path, answer in answers.items()}


def _days_ago(days: float) -> str:
    return (START - timedelta(days=days)).isoformat()


def _entries(room: Room) -> Iterator[Callable[[], Any]]:
    """What people enter, correct and take back, of every kind; trays 7 and 8, two shelves."""
    rack = room.post("/api/racks", name="Rack")["id"]
    top, low = (
        room.post("/api/shelves", rack_id=rack, name=name, level=level)["id"]
        for level, name in enumerate(("Top", "Low"), start=1)
    )
    lot = room.post("/api/lots", name="First bag", grain="barley")["id"]

    def photo(tray: int, days_ago: float, height_mm: float) -> Callable[[], Any]:
        at = START - timedelta(days=days_ago)
        return lambda: room.photograph(tray, at, height_mm=height_mm, note=f"{tray} {days_ago}")

    def flag() -> str:
        return f"/api/flags/{room.get('/api/flags')['flags'][0]['id']}"

    seed = [{"lot_id": lot, "weight_g": 900.0}]
    past = _days_ago(16)
    yield lambda: room.post("/api/runs", tray=7, spread_at=past, seed=seed)
    yield photo(7, 12, 60.0)
    weighed = {"weight_g": 5400.0, "harvested_at": _days_ago(9), "ends_run": True}
    yield lambda: room.post("/api/runs/1/harvests", **weighed)
    yield lambda: room.post("/api/runs", tray=7, spread_at=_days_ago(6), seed=seed)
    yield lambda: room.post("/api/trays/7/placements", shelf_id=top, placed_at=past)
    # A new photo of the run that is under way, while the one before stays as it was.
    yield photo(7, 1, 80.0)
    yield photo(7, 11, 70.0)
    yield lambda: room.post("/api/runs", tray=8, spread_at=_days_ago(5))
    yield lambda: room.post("/api/readings", temperature_c=11.0, shelf_id=top)
    later = (START + timedelta(hours=3)).isoformat()
    answered = flag()
    yield lambda: room.post(f"{answered}/snooze", until=later)
    # Settled, and answered once more: somebody knows better.
    yield lambda: room.post(f"{answered}/verdict", verdict="fine")
    yield lambda: room.post(f"{answered}/verdict", verdict="right")
    yield lambda: room.patch("/api/harvests/1", weight_g=4500.0, note="light")
    yield lambda: room.post("/api/trays/7/placements", shelf_id=low)
    yield lambda: room.patch(f"/api/lots/{lot}", name="Another name")
    yield lambda: room.patch(f"/api/shelves/{low}", name="Lowest")
    # Photos in which no tag was read: one is given to a tray, and the next to another.
    yield lambda: room.send(picture_saying("hidden tags"), taken_at=_days_ago(0.5)).json()
    hidden = room.get("/api/photos?limit=1")["photos"][0]["id"]
    yield lambda: room.post(f"/api/photos/{hidden}/trays", tray=8)
    yield lambda: room.client.delete(f"/api/photos/{hidden}/trays/8")
    yield lambda: room.patch("/api/photos/1", taken_at=_days_ago(2))
    yield lambda: room.client.delete("/api/harvests/1")
    fed = {"weight_g": 4800.0, "harvested_at": _days_ago(0.25), "ends_run": True}
    yield lambda: room.post("/api/runs/3/harvests", **fed)
    yield lambda: room.post("/api/trays/8/states", state="resting")
    yield lambda: room.patch("/api/room", target_shoot_height_mm=90.0)
    yield lambda: room.client.delete("/api/runs/1")


def test_pages_after_each_kind_of_entry_are_those_of_a_fresh_start(
    room: Room, settings: Settings
) -> None:
    _shown(room)
    for enter_one in _entries(room):
        answer = enter_one()
        assert not hasattr(answer, "status_code") or answer.status_code in (200, 204), answer.text
        _settled(room)
        with opened(settings, room.watch, room.inspector) as fresh:
            _watch(fresh).look()
            # What is shown here is what was known when the next entry comes.
            assert _shown(room) == _shown(fresh)


def test_what_follows_from_an_entry_is_worked_out_before_a_page_asks(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    for enter_one in _entries(room):
        enter_one()
        _settled(room)
    room.post("/api/runs", tray=10, spread_at=_days_ago(4))
    room.photograph(10, START, height_mm=50.0)
    _settled(room)
    # With these gone nothing can be worked out any more.
    monkeypatch.setattr("service.growth.growth_fits.fit_growth", None)
    monkeypatch.setattr("service.pages.printed.record_tables.yields_by", None)
    assert room.client.get("/charts/runs/3/height").status_code == 200
    assert room.client.get("/shelves").status_code == 200
