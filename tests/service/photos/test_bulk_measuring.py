"""After an update kept photos are measured again: here, and on the workers of a real cluster."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import AbstractContextManager, contextmanager, suppress
from datetime import datetime, timedelta
from pathlib import Path
from time import monotonic, sleep

import pytest
import sqlalchemy as sa

from service.app import close_service, open_service
from service.context import Service
from service.log.refusals import Refusal
from service.log.schema import PHOTO_INSPECTION
from service.photos.bulk_measuring import MeasuredAnew, measure_many, photos_to_measure
from service.photos.ingest import IncomingPhoto, take_in
from service.photos.inspection_job import InspectedPhoto, InspectionJob, not_measured
from service.photos.measuring_places import (
    Measured,
    MeasuringPlaces,
    places_here,
    places_of_cluster,
)
from service.photos.photo_log import photo_out
from service.settings import Settings
from tests.service.conftest import START, Room
from tests.service.recorded_inspections import RecordedInspector

ROOT = Path(__file__).parents[3]
PHOTO = Path(__file__).parents[3] / "sample_images" / "photos" / "day4-barley-healthy-fixed.jpg"
_BEFORE, _AFTER = "0.1.0", "0.2.0"
_WITH_A_VERSION = ("bulk_measuring", "measuring_places", "photo_changes", "ingest")


def _be(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    for module in _WITH_A_VERSION:
        monkeypatch.setattr(f"service.photos.{module}.version", lambda _: name)


def _photo(room: Room, at: datetime = START, **said: float) -> int:
    return int(room.photograph(17, at, **said)["id"])


def _to_measure(service: Service, *, all_versions: bool = False, days: int = -1) -> list[int]:
    since = START + timedelta(days=days)
    with service.database.read() as connection:
        return list(photos_to_measure(connection, all_versions=all_versions, since=since))


def _measured(service: Service, photo_ids: list[int]) -> MeasuredAnew:
    with places_here(service) as places:
        return measure_many(service, photo_ids, places)


def test_photos_of_an_earlier_version_are_measured_again_newest_first(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    room.watch.forward(days=4)
    _be(monkeypatch, _BEFORE)
    old = [_photo(room, START + timedelta(days=day), height_mm=9.0 + day) for day in range(3)]
    assert _to_measure(room.service) == []
    _be(monkeypatch, _AFTER)
    new = _photo(room, START + timedelta(days=3), height_mm=20.0)
    assert _to_measure(room.service) == old[::-1]
    assert _to_measure(room.service, days=1) == [old[2], old[1]]
    assert _to_measure(room.service, all_versions=True) == [new, *old[::-1]]

    assert _measured(room.service, old[:2]) == MeasuredAnew(2, {})
    # Whoever stops half way begins with those that are left.
    assert _to_measure(room.service) == [old[2]]


def test_what_was_measured_before_stays_beside_it(room: Room) -> None:
    photo = _photo(room, height_mm=30.0)
    _measured(room.service, [photo])
    assert _times_measured(room.service, photo) == 2
    assert [one["shoot_height_mm"] for one in _points(room)] == [30.0]


def _times_measured(service: Service, photo: int) -> int:
    rows = sa.select(sa.func.count()).where(PHOTO_INSPECTION.c.photo_id == photo)
    with service.database.read() as connection:
        return int(connection.execute(rows).scalar_one())


def _points(room: Room) -> list[dict[str, float]]:
    trays = room.get("/api/photos")["photos"][0]["trays"]
    return [{"shoot_height_mm": tray["shoot_height_mm"]["value"]} for tray in trays]


def test_a_photo_that_cannot_be_read_now_keeps_what_it_had(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    room.watch.forward(days=1)
    first, second = _photo(room), _photo(room, START + timedelta(days=1))
    recorded = room.service.inspector.inspect

    def ended(job: InspectionJob) -> InspectedPhoto:
        return not_measured(job, "took too long") if job.taken_at == START else recorded(job)

    monkeypatch.setattr(room.service.inspector, "inspect", ended)
    done = _measured(room.service, [first, second, 999])
    assert done.entered == 1
    assert done.failed.keys() == {first, 999}
    assert "took too long" in done.failed[first]
    assert "999" in done.failed[999]
    assert all(photo["problem"] is None for photo in room.get("/api/photos")["photos"])


def test_a_photo_without_the_kit_is_measured_as_one_again(room: Room) -> None:
    photo = _photo(room, without_kit=True)
    _measured(room.service, [photo])
    inspector = room.service.inspector
    assert isinstance(inspector, RecordedInspector)
    assert [job.whole_photo for job in inspector.jobs] == [False, True]


def test_no_more_are_handed_out_than_are_worth_it(room: Room) -> None:
    room.watch.forward(days=1)
    photos = [_photo(room, START + timedelta(hours=hour)) for hour in range(7)]
    handed_out: list[InspectionJob] = []
    at_once: list[int] = []

    def submit(job: InspectionJob) -> "Future[Measured]":
        handed_out.append(job)
        at_once.append(len(handed_out) - done)
        future: Future[Measured] = Future()
        future.set_result(Measured(room.service.inspector.inspect(job), _version()))
        return future

    done = 0

    def told() -> None:
        nonlocal done
        done += 1

    result = measure_many(room.service, photos, MeasuringPlaces(submit, lambda: 3), told=told)
    assert result == MeasuredAnew(7, {})
    assert done == 7
    assert max(at_once) == 3


def _version() -> str:
    from importlib.metadata import version

    return version("trayvision")


def test_workers_of_another_version_are_refused(room: Room) -> None:
    photo = _photo(room)

    def submit(job: InspectionJob) -> "Future[Measured]":
        future: Future[Measured] = Future()
        future.set_result(Measured(room.service.inspector.inspect(job), "0.0.7"))
        return future

    with pytest.raises(Refusal, match=r"scheduler must have workers with .*, but one has 0\.0\.7"):
        measure_many(room.service, [photo], MeasuringPlaces(submit, lambda: 1))
    assert _times_measured(room.service, photo) == 1


@contextmanager
def _real_room(data: Path) -> Iterator[Service]:
    size = json.loads(PHOTO.with_suffix(".json").read_text(encoding="utf-8"))["tray"]
    tray_size = "x".join(str(size[side]) for side in ("length", "width", "depth"))
    service = open_service(Settings.model_validate({"data": data, "tray_size": tray_size}))
    try:
        yield service
    finally:
        close_service(service)


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a scheduler without workers, started as the guide says."""
    known = tmp_path_factory.mktemp("cluster") / "scheduler.json"
    with _started(
        "scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(known)
    ):
        yield _address_in(known)


def _started(*words: str) -> AbstractContextManager["subprocess.Popen[bytes]"]:
    dask = [sys.executable, "-m", "dask", *words, "--no-dashboard"]
    return _ended(subprocess.Popen(dask, cwd=ROOT, env=os.environ | {"PYTHONPATH": "."}))


@contextmanager
def _ended(process: "subprocess.Popen[bytes]") -> Iterator["subprocess.Popen[bytes]"]:
    try:
        yield process
    finally:
        process.terminate()
        process.wait()


def _address_in(known: Path) -> str:
    deadline = monotonic() + 60
    while monotonic() < deadline:
        with suppress(FileNotFoundError, ValueError):
            return str(json.loads(known.read_text(encoding="utf-8"))["address"])
        sleep(0.1)
    raise AssertionError("no scheduler has come")


def test_a_scheduler_without_workers_then_with_one(tmp_path: Path, scheduler: str) -> None:
    with (
        pytest.raises(Refusal, match="must have workers, but none has come"),
        places_of_cluster(scheduler),
    ):
        pass
    own = ("--local-directory", str(tmp_path / "worker"))
    with (
        _started("worker", scheduler, "--nthreads", "1", "--no-nanny", *own),
        _real_room(tmp_path / "data") as service,
    ):
        incoming = IncomingPhoto(PHOTO.name, "image/jpeg", PHOTO.read_bytes())
        photo = take_in(service, incoming, service.entrant())[0].id
        before = _trays(service, photo)
        assert before[0]["cover"]["value"] is not None
        _wait_for_a_worker(scheduler)
        with places_of_cluster(scheduler) as places:
            assert measure_many(service, [photo], places) == MeasuredAnew(1, {})
        assert _trays(service, photo) == before
        assert _times_measured(service, photo) == 2


def _wait_for_a_worker(scheduler: str) -> None:
    deadline = monotonic() + 60
    while monotonic() < deadline:
        with suppress(Refusal), places_of_cluster(scheduler):
            return
        sleep(0.5)
    raise AssertionError("no worker has come")


def _trays(service: Service, photo: int) -> list[dict[str, dict[str, float]]]:
    with service.database.read() as connection:
        return list(photo_out(connection, photo).trays)


@pytest.mark.parametrize(
    ("address", "why"),
    [
        ("http://127.0.0.1:8786", "must begin with tcp:// or tls://, got 'http://127.0.0.1:8786'"),
        ("tcp://127.0.0.1:1", "must be where a Dask scheduler answers, .* got 'tcp://127.0.0.1:1'"),
    ],
)
def test_an_address_where_no_scheduler_answers(
    address: str, why: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.photos.measuring_places._ANSWERS_WITHIN_SECONDS", 1)
    with pytest.raises(Refusal, match=why), places_of_cluster(address):
        pass
