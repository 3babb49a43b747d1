"""How long the service takes to answer about a large room: 50th and 95th hundredth in ms.

Usage: python -m tests.benchmarks.benchmark_room FOLDER [--rounds 40]

FOLDER was filled by `fill_room` and is changed: between its rounds, photos and a harvest are
entered, as they are while people work. Times are those of whole requests without a network: log-in
check, queries, JSON. It is the time of the processor, so that other work on the machine counts
little; the disk's cache is warm.
"""

import argparse
import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa
from fastapi.testclient import TestClient

from service.app import create_app
from service.context import Service
from service.schema import RUN
from service.settings import Settings
from tests.service.recorded_inspections import RecordedInspector, photo_bytes
from trayvision.reference_kit import LAST_TRAY_NUMBER

_ON_THIS_MACHINE: dict[str, Any] = {"base_url": "http://localhost", "client": ("127.0.0.1", 50_000)}
Paths = dict[str, Callable[[], str]]


def paths(service: Service, rng: np.random.Generator) -> Paths:
    """What pages ask for, with a tray, run or shelf drawn each time."""
    with service.database.read() as connection:
        runs = [row.id for row in connection.execute(sa.select(RUN.c.id).order_by(RUN.c.id))]
    now = service.clock()
    week = (now - timedelta(days=7)).isoformat()

    def drawn(pattern: str, among: list[int]) -> Callable[[], str]:
        return lambda: pattern.format(among[int(rng.integers(len(among)))])

    # The kit prints no larger number; trays beyond are there to be counted.
    numbers = list(range(1, LAST_TRAY_NUMBER + 1))
    return {
        "today": lambda: "/api/today",
        "all trays": lambda: "/api/trays",
        "one tray": drawn("/api/trays/{}", numbers),
        "a present run's curves": drawn("/api/trays/{}/curve", numbers),
        "a past run's curves": drawn("/api/runs/{}/curve", runs),
        "a shelf's curves": drawn("/api/shelves/{}/curves", list(range(1, 24))),
        "photos of a tray": drawn("/api/photos?limit=20&tray={}", numbers),
        "last photos": lambda: "/api/photos?limit=50",
        "photos not measured": lambda: "/api/photos?with_problem=true&limit=50",
        "photos of a week": lambda: f"/api/photos?limit=50&since={week.replace('+', '%2B')}",
        "open flags": lambda: "/api/flags",
        "runs under way": lambda: "/api/runs?growing=true",
        "runs of a tray": drawn("/api/trays/{}/runs", numbers),
    }


class Measured:
    """Times by what was asked for."""

    def __init__(self, *, aloud: bool) -> None:
        self.aloud = aloud
        self._times: dict[str, list[float]] = {}

    @contextmanager
    def timed(self, name: str) -> Iterator[None]:
        began = time.process_time()
        yield
        took = 1000 * (time.process_time() - began)
        self._times.setdefault(name, []).append(took)
        if self.aloud:
            print(f"{name}: {took:.1f} ms", flush=True)

    def table(self) -> str:
        """One line each: number, 50th and 95th hundredth, longest."""
        lines = [f"{'':34}{'n':>5}{'p50':>9}{'p95':>9}{'max':>9}  ms"]
        for name, times in self._times.items():
            middle, high = np.percentile(times, [50, 95])
            lines.append(f"{name:34}{len(times):5}{middle:9.1f}{high:9.1f}{max(times):9.1f}")
        return "\n".join(lines)


def ask(client: TestClient, path: str) -> Any:
    response = client.get(path)
    if response.status_code != 200:
        raise RuntimeError(f"{path}: {response.status_code} {response.text[:500]}")
    return response


def enter(client: TestClient, rng: np.random.Generator, now: datetime) -> None:
    """A photo of some tray."""
    tray = int(rng.integers(1, LAST_TRAY_NUMBER + 1))
    note = str(rng.integers(2**40))
    said = {"number": tray, "height_mm": float(rng.uniform(10, 150)), "cover": 0.7}
    content = photo_bytes(said, taken_at=now.isoformat(), note=note)
    response = client.post("/api/photos", files={"photo": ("photo.jpg", content, "image/jpeg")})
    if response.status_code != 201:
        raise RuntimeError(response.text[:500])


def harvest(client: TestClient, rng: np.random.Generator) -> None:
    """Of the run that was spread first."""
    runs = ask(client, "/api/runs?growing=true&limit=500").json()
    run = min(runs, key=lambda one: one["spread_at"])
    body = {"weight_g": float(rng.integers(5000, 7000)), "ends_run": True}
    response = client.post(f"/api/runs/{run['id']}/harvests", json=body)
    if response.status_code != 201:
        raise RuntimeError(response.text[:500])


def measure(folder: Path, rounds: int, *, aloud: bool) -> Measured:
    """Ask for everything again and again while photos come in."""
    rng = np.random.default_rng(1)
    measured = Measured(aloud=aloud)
    settings = Settings(data=folder, round_seconds=3600.0)
    app = create_app(settings, inspector=RecordedInspector())
    service: Service = app.state.service
    asked = paths(service, rng)
    with TestClient(app, **_ON_THIS_MACHINE) as client:
        with measured.timed("start: flags worked out"):
            app.state.attention.look()
        for name, path in asked.items():
            with measured.timed(f"first: {name}"):
                ask(client, path())
        for number in range(rounds):
            for name, path in asked.items():
                address = path()
                with measured.timed(name):
                    ask(client, address)
            if number % 4 == 1:
                with measured.timed("enter a photo"):
                    enter(client, rng, datetime.now(UTC))
            if number == rounds // 2:
                with measured.timed("enter a harvest"):
                    harvest(client, rng)
    return measured


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--rounds", type=int, default=40)
    parser.add_argument("--aloud", action="store_true", help="print each time as it is taken")
    options = parser.parse_args()
    print(json.dumps({"folder": str(options.folder), "rounds": options.rounds}))
    print(measure(options.folder, options.rounds, aloud=options.aloud).table())


if __name__ == "__main__":
    main()
