"""Fits outlast the process; one that no longer holds is never shown. Figures are invented."""

import json
import logging
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import fields, is_dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from service.growth import kept_fits
from service.growth.fit_texts import band_from, curve_from, forecast_from, prior_from
from service.growth.growth_fits import band, fitted_curve, harvest_forecast, taught_prior
from service.growth.kept_fits import FITS, Fits, FitsFile, Kind
from service.growth.teachings import Teaching, points_mark
from tests.service.conftest import START, Room
from trayvision.growth.fit import GrowthPoint
from trayvision.growth.harvest_forecast import HarvestTarget
from trayvision.growth.prior import Quantity

POINTS = tuple(
    GrowthPoint(day, 24.0 * day**1.2, 1.5) for day in (1.0, 2.0, 3.5, 5.0, 6.0, 6.5, 7.0)
)
OTHERS = tuple(GrowthPoint(day, 20.0 * day**1.25, 2.0) for day in (1.0, 2.5, 4.0, 6.0))
TARGET = HarvestTarget(150.0, 8.0)
TAUGHT = Teaching(Quantity.HEIGHT, "barley", room=(POINTS, OTHERS), shelf=(OTHERS,))
TODAY = date(2026, 3, 2)


@pytest.fixture(autouse=True)
def nothing_known() -> Iterator[None]:
    FITS.forget()
    yield
    FITS.forget()


@pytest.fixture
def no_fitting(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """From now on whatever is worked out and not kept fails."""

    def forbid() -> None:
        for name in ("fit_growth", "learn_prior", "forecast_harvest"):
            monkeypatch.setattr(f"service.growth.growth_fits.{name}", None)
        monkeypatch.setattr("service.growth.thermal_curve.forecast_harvest", None)

    return forbid


def _plain(value: Any) -> Any:
    """A value with all its figures, to be compared to the last digit."""
    if isinstance(value, np.ndarray):
        return value.tolist()
    if is_dataclass(value):
        return {one.name: _plain(getattr(value, one.name)) for one in fields(value)}
    return [_plain(one) for one in value] if isinstance(value, tuple) else value


def _growing(room: Room) -> int:
    """Two runs on a shelf with photos and air, and one that is over; returns the shelf's id."""
    with room.looked_at_last():
        rack = room.post("/api/racks", name="Rack")
        shelf = room.post("/api/shelves", rack_id=rack["id"], name="Top", level=1)["id"]
        for tray, begun in ((6, 16), (7, 6), (8, 5)):
            spread_at = START - timedelta(days=begun)
            run = room.post("/api/runs", tray=tray, spread_at=spread_at.isoformat())
            room.post(
                f"/api/trays/{tray}/placements", shelf_id=shelf, placed_at=spread_at.isoformat()
            )
            for day in range(1, min(begun, 8)):
                at = spread_at + timedelta(days=day)
                room.photograph(tray, at, height_mm=20.0 * day + tray, note=f"{tray} {day}")
            if begun > 8:
                over = (spread_at + timedelta(days=8)).isoformat()
                room.post(f"/api/runs/{run['id']}/harvests", harvested_at=over, weight_g=3000.0)
        for half_day in range(33):
            at = START - timedelta(days=16 - half_day / 2)
            room.post("/api/readings", read_at=at.isoformat(), temperature_c=19.0 + half_day / 50)
    room.remeasured()
    return int(shelf)


def _curves(room: Room, shelf: int) -> Any:
    return room.get(f"/api/shelves/{shelf}/curves")["runs"]


def _stop(room: Room) -> None:
    """What a service does with its curves when it ends, in a process of its own."""
    FitsFile(room.service.settings.data / "fits.sqlite", FITS).keep(room.watch().date())
    FITS.forget()


def test_restart_shows_the_same_curves_and_fits_nothing(
    open_room: Callable[[], Room], no_fitting: Callable[[], None]
) -> None:
    room = open_room()
    shelf = _growing(room)
    before = _curves(room, shelf)
    assert [run["tray"] for run in before] == [6, 7, 8]
    assert all(run["thermal"] is not None for run in before)
    _stop(room)
    no_fitting()
    assert _curves(open_room(), shelf) == before


def test_what_changed_meanwhile_is_worked_out_anew(open_room: Callable[[], Room]) -> None:
    room = open_room()
    shelf = _growing(room)
    before = {run["tray"]: run for run in _curves(room, shelf)}
    _stop(room)
    again = open_room()
    again.patch(
        f"/api/runs/{before[7]['run_id']}", spread_at=(START - timedelta(days=6.5)).isoformat()
    )
    again.photograph(8, START - timedelta(hours=2), height_mm=60.0, note="slower")
    again.remeasured()
    with_kept = {run["tray"]: run for run in _curves(again, shelf)}
    assert with_kept[6]["height"] == before[6]["height"]
    for tray in (7, 8):
        assert with_kept[tray]["height"]["fitted"] != before[tray]["height"]["fitted"]
    FITS.forget()
    assert {run["tray"]: run for run in _curves(again, shelf)} == with_kept


def test_fits_of_another_program_are_not_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, no_fitting: Callable[[], None]
) -> None:
    fitted_curve(POINTS, TAUGHT)
    FitsFile(tmp_path / "fits.sqlite", FITS).keep(TODAY)
    FITS.forget()
    monkeypatch.setattr(kept_fits, "program", lambda: "a later one")
    later = FitsFile(tmp_path / "fits.sqlite", FITS)
    assert later.bring() == 0
    no_fitting()
    with pytest.raises(TypeError, match="'NoneType' object is not callable"):
        fitted_curve(POINTS, TAUGHT)
    monkeypatch.undo()
    assert FitsFile(tmp_path / "fits.sqlite", FITS).bring() == 0


def test_each_kind_is_kept_to_the_last_digit() -> None:
    ages = (0.0, 2.5, 7.0)
    curve, prior = fitted_curve(POINTS, TAUGHT), taught_prior(TAUGHT)
    lines = band(POINTS, TAUGHT, ages, 7)
    forecast = harvest_forecast(POINTS, TAUGHT, TARGET, 7)
    texts = [json.loads(said()) for said in FITS.asked().values()]
    curves = [curve_from(one, POINTS, prior) for one in texts if "fits" in one]
    assert _plain(curve) in [_plain(one) for one in curves]
    assert _plain(prior) in [_plain(prior_from(one)) for one in texts if "between_runs" in one]
    assert forecast in [forecast_from(one) for one in texts if "median_hours" in one]
    assert lines in [band_from(one) for one in texts if isinstance(one, list)]


@pytest.mark.parametrize(
    "other",
    [
        Teaching(Quantity.COVER, "barley", room=(POINTS, OTHERS), shelf=(OTHERS,)),
        Teaching(Quantity.HEIGHT, "wheat", room=(POINTS, OTHERS), shelf=(OTHERS,)),
        Teaching(Quantity.HEIGHT, "barley", room=(POINTS,), shelf=(OTHERS,)),
        Teaching(Quantity.HEIGHT, "barley", room=(POINTS, OTHERS), shelf=(POINTS,)),
        Teaching(Quantity.HEIGHT, "barley", room=(POINTS, OTHERS, OTHERS)),
        Teaching(Quantity.HEIGHT, "barley", room=(POINTS, OTHERS), lot=(OTHERS,)),
        Teaching(Quantity.HEIGHT, "barley", (POINTS, OTHERS), shelf=(OTHERS,), lot=(OTHERS,)),
        Teaching(Quantity.HEIGHT, "barley", room=(POINTS, OTHERS), shelf=(OTHERS,), thermal=True),
    ],
)
def test_whatever_a_fit_follows_from_is_in_its_name(other: Teaching) -> None:
    assert other != TAUGHT
    assert other.mark != TAUGHT.mark


def test_a_hair_of_difference_in_a_reading_is_another_name() -> None:
    first = POINTS[0]
    near = GrowthPoint(first.age, float(np.nextafter(first.value, 1e9)), first.uncertainty)
    assert points_mark((near, *POINTS[1:])) != points_mark(POINTS)
    assert points_mark(tuple(POINTS)) == points_mark((*POINTS[:1], *POINTS[1:]))


def test_broken_file_is_begun_anew(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = tmp_path / "fits.sqlite"
    path.write_bytes(b"no database at all" * 400)
    file = FitsFile(path, FITS)
    with caplog.at_level(logging.WARNING):
        assert file.bring() == 0
    assert "is broken and begun anew" in caplog.text
    fitted_curve(POINTS, TAUGHT)
    file.keep(TODAY)
    assert FitsFile(path, FITS).bring() > 0


def test_fit_that_cannot_be_read_is_worked_out(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    right = _plain(fitted_curve(POINTS, TAUGHT))
    FitsFile(tmp_path / "fits.sqlite", FITS).keep(TODAY)
    with closing(sqlite3.connect(tmp_path / "fits.sqlite")) as file, file:
        file.execute("UPDATE fit SET said = substr(said, 1, 40)")
    FITS.forget()
    FitsFile(tmp_path / "fits.sqlite", FITS).bring()
    with caplog.at_level(logging.WARNING):
        assert _plain(fitted_curve(POINTS, TAUGHT)) == right
    assert "cannot be read and is worked out anew" in caplog.text


def test_folder_that_takes_no_file_stops_nothing(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    file = FitsFile(tmp_path / "missing" / "fits.sqlite", FITS)
    with caplog.at_level(logging.WARNING):
        assert file.bring() == 0
        fitted_curve(POINTS, TAUGHT)
        file.keep(TODAY)
    assert "fits could not be kept" in caplog.text


def test_what_nobody_asks_for_is_dropped_and_what_is_used_stays(tmp_path: Path) -> None:
    fits, number = Fits(), Kind[int]("number", lambda value: value)
    file = FitsFile(tmp_path / "fits.sqlite", fits)

    def ask(key: int) -> int:
        return fits.of(number, (key,), work_out=lambda: 10 * key, read=int)

    assert [ask(1), ask(2)] == [10, 20]
    file.keep(TODAY)
    for day in range(1, 6):
        ask(1)
        file.keep(TODAY + timedelta(days=day))
    later = Fits()
    assert FitsFile(tmp_path / "fits.sqlite", later).bring() == 1
    assert later.of(number, (1,), work_out=lambda: -1, read=int) == 10
    assert later.of(number, (2,), work_out=lambda: -1, read=int) == -1
