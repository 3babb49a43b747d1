"""What people enter in a room while its pages are timed, of every kind in turn."""

from collections.abc import Callable
from datetime import UTC, datetime
from itertools import cycle
from typing import Any

import numpy as np
from fastapi.testclient import TestClient

from tests.service.recorded_inspections import photo_bytes
from trayvision.reference_kit import LAST_TRAY_NUMBER


class Entries:
    """Somebody who enters one thing after the other.

    Parameters
    ----------
    client : TestClient
    rng : Generator
        Draws trays and values.
    shelves : list of int
        Ids of the room's shelves.
    """

    def __init__(self, client: TestClient, rng: np.random.Generator, shelves: list[int]) -> None:
        self._client = client
        self._rng = rng
        self._shelves = shelves
        self._harvested: list[int] = []
        self._started: set[int] = set()
        kinds: tuple[Callable[[], None], ...] = (
            self.photo,
            self.harvest,
            self.move,
            self.start,
            self.answer,
            self.air,
        )
        self._kinds = cycle(kinds)

    def next(self) -> str:
        """Enter something of the next kind; returns what."""
        kind = next(self._kinds)
        kind()
        return kind.__name__

    def photo(self) -> None:
        """A photo of some tray."""
        said = {"number": self._tray(), "height_mm": float(self._rng.uniform(10, 150))}
        content = photo_bytes(
            {**said, "cover": 0.7},
            taken_at=datetime.now(UTC).isoformat(),
            note=str(self._rng.integers(2**40)),
        )
        response = self._client.post(
            "/api/photos", files={"photo": ("photo.jpg", content, "image/jpeg")}
        )
        if response.status_code != 201:
            raise RuntimeError(response.text[:500])

    def harvest(self) -> None:
        """The run that was spread first is harvested, of trays that the kit numbers."""
        runs = self._client.get("/api/runs?growing=true&limit=500").json()
        # Runs that this started are too young to be followed by another.
        known = [
            one
            for one in runs
            if one["tray"] <= LAST_TRAY_NUMBER and one["id"] not in self._started
        ]
        run = min(known, key=lambda one: one["spread_at"])
        weight_g = float(self._rng.integers(5000, 7000))
        self._post(f"/api/runs/{run['id']}/harvests", weight_g=weight_g, ends_run=True)
        self._harvested.append(run["tray"])

    def start(self) -> None:
        """A tray that was harvested is spread again."""
        if not self._harvested:
            self.harvest()
        self._started.add(self._post("/api/runs", tray=self._harvested.pop(0))["id"])

    def move(self) -> None:
        """Some tray is put on another shelf."""
        shelf_id = self._shelves[int(self._rng.integers(len(self._shelves)))]
        self._post(f"/api/trays/{self._tray()}/placements", shelf_id=shelf_id)

    def answer(self) -> None:
        """A reason to look turns out to be none; without any open one, nothing."""
        flags = self._client.get("/api/flags").json()["flags"]
        if flags:
            flag = flags[int(self._rng.integers(len(flags)))]
            self._post(f"/api/flags/{flag['id']}/verdict", verdict="fine")

    def air(self) -> None:
        """A thermometer is read on some shelf."""
        shelf_id = self._shelves[int(self._rng.integers(len(self._shelves)))]
        warm_c = float(self._rng.uniform(17, 21))
        self._post("/api/readings", shelf_id=shelf_id, temperature_c=warm_c)

    def _tray(self) -> int:
        return int(self._rng.integers(1, LAST_TRAY_NUMBER + 1))

    def _post(self, path: str, **body: Any) -> Any:
        response = self._client.post(path, json=body)
        if response.status_code not in (200, 201):
            raise RuntimeError(f"{path}: {response.status_code} {response.text[:500]}")
        return response.json()
