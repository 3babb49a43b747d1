"""An invented room behind a real server, for tests that open its pages in a real browser."""

import shutil
import threading
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import httpx2
import uvicorn
from PIL import Image

from service.app import create_app
from service.context import Service
from service.photos.inspection_job import InspectedPhoto, InspectionJob
from service.settings import Settings
from tests.service.conftest import Watch, looked_at_last
from tests.service.recorded_inspections import RecordedInspector, patch, photo_bytes

EVENING = datetime(2026, 3, 7, 17, 0, tzinfo=UTC)
ZONE = "Europe/Vienna"
MOULDY_TRAY = 3


@dataclass
class DrawnInspector(RecordedInspector):
    """Gives out what photos say of themselves, with pictures that a browser can show.

    Before it does, it raises what stands in `failures`, one a photo.
    """

    failures: list[Exception] = field(default_factory=list)

    def inspect(self, job: InspectionJob) -> InspectedPhoto:
        if self.failures:
            raise self.failures.pop(0)
        inspected = super().inspect(job)
        pictures = {
            name: content if content.startswith(b"\xff\xd8") else _plain_picture(name)
            for name, content in inspected.pictures.items()
        }
        return replace(inspected, pictures=pictures)


def _plain_picture(name: str) -> bytes:
    size = {"thumbnail.jpg": (160, 120), "photo.jpg": (800, 600)}.get(name, (540, 280))
    file = BytesIO()
    Image.new("RGB", size, (96, 128, 60)).save(file, "JPEG")
    return file.getvalue()


@dataclass(frozen=True)
class House:
    """A served room.

    Parameters
    ----------
    address : str
        Such as ``http://127.0.0.1:40000``.
    client : httpx2.Client
        Speaks to its API as the open room's owner.
    """

    address: str
    client: httpx2.Client
    service: Service
    watch: Watch
    inspector: DrawnInspector

    def get(self, path: str) -> Any:
        response = self.client.get(path)
        assert response.status_code == 200, response.text
        return response.json()

    def post(self, path: str, **body: Any) -> Any:
        response = self.client.post(path, json=body)
        assert response.status_code in (200, 201), response.text
        return response.json()

    def photograph(self, tray: int, at: datetime, **said: Any) -> Any:
        """A photo of one tray that shows what is said of it; returns its record."""
        content = photo_bytes({"number": tray, "drawn": True, "mould": [], **said}, note=f"{at}")
        response = self.client.post(
            "/api/photos",
            files=[("photo", (f"tray-{tray}.jpg", content, "image/jpeg"))],
            data={"taken_at": at.isoformat()},
        )
        assert response.status_code == 201, response.text
        return response.json()["photos"][0]

    def looked_at_last(self) -> AbstractContextManager[None]:
        return looked_at_last(self.service)


@contextmanager
def served(folder: Path, start: Path) -> Iterator[House]:
    """A room that begins as a copy of another's folder, served until the block ends."""
    shutil.copytree(start, folder)
    settings = Settings(
        data=folder, room_name="Lindenhof (invented)", time_zone=ZONE, round_seconds=3600.0
    )
    watch = Watch(EVENING)
    inspector = DrawnInspector()
    app = create_app(settings, inspector=inspector, clock=watch)
    server = uvicorn.Server(
        uvicorn.Config(app, host="127.0.0.1", port=0, log_level="warning", proxy_headers=False)
    )
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        while not server.started:
            assert thread.is_alive(), "the server did not start"
            threading.Event().wait(0.01)
        port = server.servers[0].sockets[0].getsockname()[1]
        address = f"http://127.0.0.1:{port}"
        # Plain HTTP needs no certificates, and reading all authorities' takes a while.
        with httpx2.Client(base_url=address, timeout=60.0, verify=False) as client:
            yield House(address, client, app.state.service, watch, inspector)
    finally:
        server.should_exit = True
        thread.join()


def furnish(house: House) -> None:
    """Two shelves of three trays in their sixth day; a patch spreads on tray 3, tray 6 lags."""
    spread_at = EVENING - timedelta(days=5, hours=9)
    lot = house.post("/api/lots", name="Barley, first bag", weight_kg=25.0)
    rack = house.post("/api/racks", name="Rack by the door")
    shelves = [
        house.post("/api/shelves", rack_id=rack["id"], name=name, level=level)
        for level, name in enumerate(("Top shelf", "Bottom shelf"), start=1)
    ]
    for tray in range(1, 7):
        house.post(
            "/api/runs",
            tray=tray,
            spread_at=spread_at.isoformat(),
            soaked_at=(spread_at - timedelta(hours=12)).isoformat(),
            seed=[{"lot_id": lot["id"], "weight_g": 500.0}],
        )
        house.post(
            f"/api/trays/{tray}/placements",
            shelf_id=shelves[(tray - 1) // 3]["id"],
            placed_at=spread_at.isoformat(),
        )
    heights = {2: 4.0, 3: 12.0, 4: 35.0, 5: 70.0}
    for day, height_mm in heights.items():
        at = spread_at + timedelta(days=day, hours=8)
        for tray in range(1, 7):
            slow = 0.4 if tray == 6 else 1.0
            spots = [patch(4.0 + 4.0 * (day - 3), 0.97)] if tray == MOULDY_TRAY and day > 3 else []
            house.photograph(
                tray,
                at + timedelta(minutes=tray),
                cover=min(0.98, 0.2 * day * slow),
                height_mm=height_mm * slow,
                mould=spots,
            )
    house.post("/api/readings", temperature_c=19.5, humidity_percent=68.0)
