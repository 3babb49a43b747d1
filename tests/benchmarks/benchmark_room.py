"""How long the service takes to answer about a large room: 50th and 95th hundredth in ms.

Usage: python -m tests.benchmarks.benchmark_room FOLDER [--rounds 40] [--part api|pages] [--only /]

FOLDER was filled by `fill_room` and is changed: things of every kind are entered meanwhile, as they
are while people work. Times are those of whole requests without a network (log-in check, queries,
JSON or HTML), with the disk's cache warm:

- the processor's time in the threads that answer, this program's own as a client among them; what
  works in the background beside them does not count here;
- the wall clock's time, in which that and other programs of the machine hold an answer up.

In every fourth round something is entered before each request, and the request comes when the
service has worked out what follows, as it does by itself within a second. "at once" are further
requests that come right after the entry, as the next page does after a form. "first" are the first
ones after the start. Bytes are those of the answer, without the pictures that a page names.

A room's first start works out all curves, which takes minutes; the next one finds them. An entry
and what follows from it take about a second, so that 12 rounds of all pages take some ten minutes:
how far it has come is told on the way, and `--only` asks for some of them.
"""

import argparse
import json
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa
from fastapi.testclient import TestClient

from service.app import create_app
from service.context import Service
from service.garbage import searched_in_pauses
from service.log.schema import FLAG, PHOTO, RUN
from service.runs.run_calendar import run_calendar
from service.settings import Settings
from tests.service.recorded_inspections import RecordedInspector
from tests.service.room_entries import Entries
from trayvision.reference_kit import LAST_TRAY_NUMBER

_ON_THIS_MACHINE: dict[str, Any] = {"base_url": "http://localhost", "client": ("127.0.0.1", 50_000)}
# Names of the threads that answer begin so: the test client's own, the event loop's, its workers'.
_ANSWERING = ("MainThread", "asyncio-portal", "AnyIO worker")
_ENTERED_EVERY = 4
Paths = dict[str, Callable[[], str]]
_SHELVES = list(range(1, 24))
_PLAIN_PAGES = (
    *("/", "/flags", "/snap", "/photos", "/photos?unread=true", "/room", "/room/start"),
    *("/room/move", "/room/states", "/room/new-tray", "/shelves", "/charts/shelves", "/more"),
    *("/room/written", "/room/harvest"),
    *("/help", "/set-up", "/set-up/room", "/set-up/units", "/set-up/racks", "/set-up/trays"),
    *("/set-up/lots", "/set-up/kit", "/set-up/shelf-camera", "/set-up/cameras"),
    *("/set-up/people", "/set-up/phones", "/set-up/messages", "/set-up/data"),
    *("/print", "/print/round", "/print/labels"),
)
_REPORT_PARTS = ("runs", "flags", "air", "cleaning", "feeding", "corrections")


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
            "/trays/{number}/written": self._of("/trays/{}/written", self._trays),
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
        self._spent: dict[str, list[tuple[float, float]]] = {}
        self._bytes: dict[str, int] = {}

    def weighed(self, name: str, size: int) -> None:
        """Remember the size of the largest answer, bytes."""
        self._bytes[name] = max(size, self._bytes.get(name, 0))

    @contextmanager
    def timed(self, name: str) -> Iterator[None]:
        before, began = _of_threads(), time.perf_counter()
        yield
        wall = time.perf_counter() - began
        processor = sum(used - before.get(thread, 0.0) for thread, used in _of_threads().items())
        self._spent.setdefault(name, []).append((1000 * processor, 1000 * wall))
        if self.aloud:
            print(f"{name}: {1000 * processor:.1f} ms, wall {1000 * wall:.1f} ms", flush=True)

    def table(self) -> str:
        """One line each: number; 50th and 95th hundredth and longest; largest answer."""
        heads = ("n", "p50", "p95", "max", "wall p50", "p95", "max", "bytes")
        lines = [" " * 34 + "".join(f"{head:>9}" for head in heads)]
        for name, spent in self._spent.items():
            processor, wall = zip(*spent, strict=True)
            times = [
                time
                for column in (processor, wall)
                for time in (*np.percentile(column, [50, 95]), max(column))
            ]
            line = f"{name:34}{len(spent):9}" + "".join(f"{time:9.1f}" for time in times)
            size = self._bytes.get(name)
            lines.append(line if size is None else f"{line}{size:9}")
        return "\n".join(lines)


def _of_threads() -> dict[int, float]:
    """Processor time of each thread that answers requests, s."""
    return {
        thread.ident: time.clock_gettime(time.pthread_getcpuclockid(thread.ident))
        for thread in threading.enumerate()
        if thread.ident is not None and thread.name.startswith(_ANSWERING)
    }


def ask(client: TestClient, path: str) -> Any:
    response = client.get(path)
    if response.status_code != 200:
        raise RuntimeError(f"{path}: {response.status_code} {response.text[:500]}")
    return response


def measure(
    folder: Path, rounds: int, part: str, *, only: Sequence[str] = (), aloud: bool = False
) -> Measured:
    """Ask for everything, or `only` for some, again and again while people enter things."""
    rng = np.random.default_rng(1)
    measured = Measured(aloud=aloud)
    settings = Settings(data=folder, round_seconds=3600.0, attention_minutes=1440.0)
    app = create_app(settings, inspector=RecordedInspector())
    service: Service = app.state.service
    drawn = Drawn(service, rng)
    asked = drawn.api() if part == "api" else drawn.pages()
    with (
        searched_in_pauses(service.answering) as garbage,
        TestClient(app, **_ON_THIS_MACHINE) as client,
    ):
        for what, work in (
            ("flags", app.state.attention.look),
            ("curves", app.state.curves.look),
            ("photos to measure again", app.state.remeasurer.wait),
            ("garbage", garbage.look),
        ):
            _tell(f"start: {what}")
            with measured.timed(f"start: {what}"):
                work()
        asked = {
            name: path
            for name, path in asked.items()
            if (not only or name in only) and _is_there(client, path())
        }
        for name, path in asked.items():
            with measured.timed(f"first: {name}"):
                ask(client, path())
        entries = Entries(client, rng, _SHELVES)
        for number in range(rounds):
            _tell(f"round {number + 1} of {rounds}")
            for name, path in asked.items():
                if number % _ENTERED_EVERY == 1:
                    entries.next()
                    app.state.attention.wait()
                _ask_timed(client, measured, name, path())
        for number in range(rounds // _ENTERED_EVERY):
            _tell(f"at once, round {number + 1} of {rounds // _ENTERED_EVERY}")
            for name, path in asked.items():
                entries.next()
                _ask_timed(client, measured, f"at once: {name}", path())
                app.state.attention.wait()
    return measured


def _ask_timed(client: TestClient, measured: Measured, name: str, address: str) -> None:
    with measured.timed(name):
        response = ask(client, address)
    measured.weighed(name, len(response.content))


def _tell(how_far: str) -> None:
    print(f"{time.strftime('%H:%M:%S')} {how_far}", file=sys.stderr, flush=True)


def _is_there(client: TestClient, path: str) -> bool:
    return client.get(path).status_code != 404


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--rounds", type=int, default=40)
    parser.add_argument("--part", choices=("api", "pages"), default="api")
    parser.add_argument("--only", nargs="+", default=(), help="names as the table has them")
    parser.add_argument("--aloud", action="store_true", help="print each time as it is taken")
    options = parser.parse_args()
    print(json.dumps({"folder": str(options.folder), "rounds": options.rounds}))
    measured = measure(
        options.folder, options.rounds, options.part, only=options.only, aloud=options.aloud
    )
    print(measured.table())


if __name__ == "__main__":
    main()
