"""A server killed in the middle of a stream of uploads loses no acknowledged photo."""

import json
import os
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path

import httpx2
import pytest

from service.app import close_service, open_service
from service.context import Service
from service.photos.inspection_log import find_photo
from service.photos.photo_log import photo_out
from service.settings import Settings
from tests.service.recorded_inspections import RecordedInspector, photo_bytes

ROOT = Path(__file__).parents[3]
_SERVE = """
import json, sys
import uvicorn
from service.app import create_app
from service.context import Service
from service.photos.inspection_log import find_photo
from service.photos.photo_log import photo_out
from service.settings import Settings
from tests.service.recorded_inspections import RecordedInspector
app = create_app(Settings(**json.loads(sys.argv[1])), inspector=RecordedInspector())
uvicorn.run(app, port=0, log_level="info")
"""


@contextmanager
def _server(settings: Settings) -> Iterator[tuple[subprocess.Popen[str], str]]:
    database = settings.database_url
    given = {"data": str(settings.data)}
    if database is not None:
        given["database_url"] = database.get_secret_value()
    process = subprocess.Popen(
        [sys.executable, "-c", _SERVE, json.dumps(given)],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert process.stderr is not None
    try:
        for line in process.stderr:
            address = re.search(r"running on (http://[\d.:]+)", line)
            if address is not None:
                yield process, address[1]
                break
        else:
            pytest.fail("the server did not start")
    finally:
        process.kill()
        process.wait()
        process.stderr.close()


def _send(address: str, contents: list[bytes], acknowledged: list[str]) -> None:
    with httpx2.Client(base_url=address) as client:
        for content in contents:
            try:
                answer = client.post("/api/photos", files={"photo": ("a.jpg", content)})
            except httpx2.TransportError:
                return
            if answer.status_code == 201:
                acknowledged.append(answer.json()["photos"][0]["sha256"])


def test_killed_server_loses_no_acknowledged_photo(settings: Settings) -> None:
    photos = [photo_bytes({"number": 17}, note=str(number)) for number in range(400)]
    acknowledged: list[str] = []
    with _server(settings) as (process, address):
        senders = [
            threading.Thread(target=_send, args=(address, photos[start::4], acknowledged))
            for start in range(4)
        ]
        for sender in senders:
            sender.start()
        while len(acknowledged) < 20 and any(sender.is_alive() for sender in senders):
            senders[0].join(0.005)
        process.send_signal(signal.SIGKILL)
        for sender in senders:
            sender.join()
    assert 20 <= len(acknowledged) < len(photos)
    service = open_service(settings, inspector=RecordedInspector())
    try:
        _check(service, acknowledged, photos)
    finally:
        close_service(service)


def _check(service: Service, acknowledged: list[str], photos: list[bytes]) -> None:
    contents = {sha256(content).hexdigest(): content for content in photos}
    with service.database.read() as connection:
        for digest in acknowledged:
            photo_id = find_photo(connection, digest)
            assert photo_id is not None
            assert [tray["tray"] for tray in photo_out(connection, photo_id).trays] == [17]
            assert service.store.original(digest).read_bytes() == contents[digest]
