"""How long the service takes to answer about a large room: 50th and 95th hundredth in ms.

Usage: python -m tests.benchmarks.benchmark_room FOLDER [--rounds 40] [--part api|pages]

FOLDER was filled by `fill_room` and is changed: between its rounds, photos and a harvest are
entered, as they are while people work. Times are those of whole requests without a network: log-in
check, queries, JSON or HTML. It is the time of the processor, so that other work on the machine
counts little; the disk's cache is warm, and curves are worked out as they are while nobody waits.
Bytes are those of the answer, without the pictures that a page names.
"""

import argparse
import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa
from fastapi.testclient import TestClient

from service.app import create_app
from service.context import Service
from service.curve_warming import CurveWarmer
from service.run_calendar import run_calendar
from service.schema import FLAG, PHOTO, RUN
from service.settings import Settings
from tests.service.recorded_inspections import RecordedInspector, photo_bytes
from trayvision.reference_kit import LAST_TRAY_NUMBER

_ON_THIS_MACHINE: dict[str, Any] = {"base_url": "http://localhost", "client": ("127.0.0.1", 50_000)}
Paths = dict[str, Callable[[], str]]
_SHELVES = list(range(1, 24))
_PLAIN_PAGES = (
    *("/", "/flags", "/snap", "/photos", "/photos?unread=true", "/room", "/room/start"),
    *("/room/move", "/room/states", "/room/new-tray", "/shelves", "/charts/shelves", "/more"),
    *("/help", "/set-up", "/set-up/room", "/set-up/units", "/set-up/racks", "/set-up/trays"),
    *("/set-up/lots", "/set-up/kit", "/set-up/shelf-camera", "/set-up/cameras"),
    *("/set-up/people", "/set-up/phones", "/set-up/messages", "/set-up/data"),
    *("/print", "/print/round", "/print/labels"),
)
# The last is the whole month on one page, to print.
_REPORT_PARTS = ("runs", "flags", "air", "cleaning", "feeding", "corrections", "whole")


class Drawn:
    """Trays, runs, photos and flags of a room, one drawn each time."""

    def __init__(self, service: Service, rng: np.random.Generator) -> None:
        self._rng = rng
        self._week = (service.clock() - timedelta(days=7)).isoformat().replace("+", "%2B")
        with service.database.read() as connection:
            self._runs = _ids(connection, RUN)
            self._flags = _ids(connection, FLAG)
            self._photos = _ids(connection, PHOTO)
            growing = run_calendar(connection).not_ended(service.clock())
            self._growing = sorted(span.id for span in growing)
        # The kit prints no larger number; trays beyond are there to be counted.
        self._trays = list(range(1, LAST_TRAY_NUMBER + 1))

    def api(self) -> Paths:
        """What programs ask for."""
        return {
            "today": lambda: "/api/today",
            "all trays": lambda: "/api/trays",
            "one tray": self._of("/api/trays/{}", self._trays),
            "a present run's curves": self._of("/api/trays/{}/curve", self._trays),
            "a past run's curves": self._of("/api/runs/{}/curve", self._runs),
            "a shelf's curves": self._of("/api/shelves/{}/curves", _SHELVES),
            "photos of a tray": self._of("/api/photos?limit=20&tray={}", self._trays),
            "last photos": lambda: "/api/photos?limit=50",
            "photos not measured": lambda: "/api/photos?with_problem=true&limit=50",
            "photos of a week": lambda: f"/api/photos?limit=50&since={self._week}",
            "open flags": lambda: "/api/flags",
            "runs under way": lambda: "/api/runs?growing=true",
            "runs of a tray": self._of("/api/trays/{}/runs", self._trays),
        }

    def pages(self) -> Paths:
        """What people look at; those that this version does not have are left out later."""
        month = "from=2026-10-01&to=2026-10-31"
        return {
            **{path: lambda path=path: path for path in _PLAIN_PAGES},  # type: ignore[misc]
            "/flags/{id}": self._of("/flags/{}", self._flags[-200:]),
            "/trays/{number}": self._of("/trays/{}", self._trays),
            "/charts/runs/{id}/height": self._of("/charts/runs/{}/height", self._growing),
            "/photos/{id}": self._of("/photos/{}", self._photos[-1000:]),
            "/photos/{id}/result": self._of("/photos/{}/result", self._photos[-1000:]),
            "/shelves/{id}": self._of("/shelves/{}", _SHELVES),
            "/charts/shelves/{id}": self._of("/charts/shelves/{}", _SHELVES),
            "/runs/{id}": self._of("/runs/{}", self._growing),
            "/runs/{id}/harvest": self._of("/runs/{}/harvest", self._growing),
            "/set-up/racks/{id}": self._of("/set-up/racks/{}", list(range(1, 11))),
            "/set-up/shelves/{id}": self._of("/set-up/shelves/{}", _SHELVES),
            "/set-up/trays/{number}": self._of("/set-up/trays/{}", self._trays),
            "/set-up/lots/{id}": self._of("/set-up/lots/{}", list(range(1, 50))),
            "/set-up/cameras/{id}": self._of("/set-up/cameras/{}", [1, 2, 3, 4]),
            "/print/report, a month": lambda: f"/print/report?{month}",
            **{
                f"/print/report, {part}": partial("/print/report?{}&part={}".format, month, part)
                for part in _REPORT_PARTS
            },
        }

    def _of(self, pattern: str, among: list[int]) -> Callable[[], str]:
        return lambda: pattern.format(among[int(self._rng.integers(len(among)))])


def _ids(connection: sa.Connection, table: sa.Table) -> list[int]:
    return list(connection.execute(sa.select(table.c.id).order_by(table.c.id)).scalars())


class Measured:
    """Times by what was asked for."""

    def __init__(self, *, aloud: bool) -> None:
        self.aloud = aloud
        self._times: dict[str, list[float]] = {}
        self._bytes: dict[str, int] = {}

    def weighed(self, name: str, size: int) -> None:
        """Remember the size of the largest answer, bytes."""
        self._bytes[name] = max(size, self._bytes.get(name, 0))

    @contextmanager
    def timed(self, name: str) -> Iterator[None]:
        began = time.process_time()
        yield
        took = 1000 * (time.process_time() - began)
        self._times.setdefault(name, []).append(took)
        if self.aloud:
            print(f"{name}: {took:.1f} ms", flush=True)

    def table(self) -> str:
        """One line each: number, 50th and 95th hundredth, longest; largest answer."""
        lines = [f"{'':34}{'n':>5}{'p50':>9}{'p95':>9}{'max':>9} ms{'bytes':>9}"]
        for name, times in self._times.items():
            middle, high = np.percentile(times, [50, 95])
            line = f"{name:34}{len(times):5}{middle:9.1f}{high:9.1f}{max(times):9.1f}"
            size = self._bytes.get(name)
            lines.append(line if size is None else f"{line}   {size:9}")
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


def measure(folder: Path, rounds: int, part: str, *, aloud: bool) -> Measured:
    """Ask for everything again and again while photos come in."""
    rng = np.random.default_rng(1)
    measured = Measured(aloud=aloud)
    # What looks at the clock would count as time of whatever is asked for meanwhile.
    settings = Settings(data=folder, round_seconds=3600.0, attention_minutes=1440.0)
    app = create_app(settings, inspector=RecordedInspector())
    service: Service = app.state.service
    drawn = Drawn(service, rng)
    asked = drawn.api() if part == "api" else drawn.pages()
    with TestClient(app, **_ON_THIS_MACHINE) as client:
        with measured.timed("start: flags worked out"):
            app.state.attention.look()
        with measured.timed("start: curves worked out"):
            CurveWarmer(service).look()
        app.state.remeasurer.wait()
        asked = {name: path for name, path in asked.items() if _is_there(client, path())}
        for name, path in asked.items():
            with measured.timed(f"first: {name}"):
                ask(client, path())
        for number in range(rounds):
            for name, path in asked.items():
                address = path()
                with measured.timed(name):
                    response = ask(client, address)
                measured.weighed(name, len(response.content))
            if number % 4 == 1:
                with measured.timed("enter a photo"):
                    enter(client, rng, datetime.now(UTC))
                # Nobody waits for it; on its own line, so that it counts for no page.
                with measured.timed("look after a photo"):
                    app.state.attention.look()
            if number == rounds // 2:
                with measured.timed("enter a harvest"):
                    harvest(client, rng)
    return measured


def _is_there(client: TestClient, path: str) -> bool:
    return client.get(path).status_code != 404


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--rounds", type=int, default=40)
    parser.add_argument("--part", choices=("api", "pages"), default="api")
    parser.add_argument("--aloud", action="store_true", help="print each time as it is taken")
    options = parser.parse_args()
    print(json.dumps({"folder": str(options.folder), "rounds": options.rounds}))
    print(measure(options.folder, options.rounds, options.part, aloud=options.aloud).table())


if __name__ == "__main__":
    main()
