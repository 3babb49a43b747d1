"""Rooms with trays of known history, for tests of what deserves a look."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from trayvision.attention.readings import TrayReading
from trayvision.attention.state import AirReading, Placement, RoomState, RunState
from trayvision.measurement import Measurement
from trayvision.score.expectations import COVER, SHOOT_HEIGHT, usual_range
from trayvision.warning.patch_sighting import PatchSighting, TrayPhoto

SPREAD_AT = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def at(day: float) -> datetime:
    """A moment so many days after spreading."""
    return SPREAD_AT + timedelta(days=day)


def usual_height(day: float) -> float:
    return float(np.mean(usual_range(SHOOT_HEIGHT, day)))


def reading(tray: int, day: float, *patches: PatchSighting, **said: Any) -> TrayReading:
    """A healthy tray's photo on a day; `said` replaces fields of the photo or the reading."""
    cover = float(np.mean(usual_range(COVER, day))) if day >= 3 else 0.0
    photo = TrayPhoto(f"t{tray}-d{day:.3f}", at(day), patches, cover=cover)
    in_photo = {name: said.pop(name) for name in list(said) if hasattr(photo, name)}
    height = said.pop("height_mm", usual_height(day))
    return TrayReading(
        photo=replace(photo, **in_photo),
        shoot_height_mm=None if height is None else Measurement(height, 2.0, "mm"),
        **said,
    )


def run(tray: int, readings: Sequence[TrayReading], **said: Any) -> RunState:
    """A run spread on day 0 on shelf A, lot L1."""
    place = {"shelf": "shelf A", "level": 1, "rack": "rack 1", "water_path": "line 1"}
    place |= {name: said.pop(name) for name in ("shelf", "level", "rack") if name in said}
    placements = said.pop("placements", (Placement(SPREAD_AT, **place),))  # type: ignore[arg-type]
    fields = {"lots": ("L1",), "spread_at": SPREAD_AT, **said}
    return RunState(f"run-{tray}", tray, readings=tuple(readings), placements=placements, **fields)


def healthy(tray: int, until_day: float, **said: Any) -> RunState:
    """A run with two ordinary photos a day."""
    days = np.arange(0.5, until_day + 0.01, 0.5)
    return run(tray, [reading(tray, float(day)) for day in days], **said)


def room(runs: Sequence[RunState], day: float, **said: Any) -> RoomState:
    return RoomState(at(day), tuple(runs), **said)


def air(shelf: str | None, hours: int, day: float = 5.0, **said: float) -> list[AirReading]:
    """Hourly readings of the same air up to a day."""
    moments = [at(day) - timedelta(hours=step) for step in range(hours + 1)]
    return [AirReading(moment, shelf, **said) for moment in moments]
