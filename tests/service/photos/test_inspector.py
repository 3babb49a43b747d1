"""The pool of processes: the real library, photos that end their reader, too many at once."""

import multiprocessing
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import service.photos.measuring
from service.log.refusals import Busy
from service.photos.inspection_job import InspectedPhoto, InspectionJob
from service.photos.inspection_rehearsal import rehearse
from service.photos.inspector import PoolInspector

RECEIVED = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)


def _job(path: Path, **given: Any) -> InspectionJob:
    plain: dict[str, Any] = {
        "path": path,
        "name": path.name,
        "received_at": RECEIVED,
        "room_zone": "Europe/Vienna",
        "tray_size": "540x280x60",
        "sizes": {},
        "runs": {},
    }
    return InspectionJob(**(plain | given))


def _grey(path: Path, **exif: str) -> Path:
    """A photo of a plain grey wall, which shows no tray."""
    record = Image.Exif()
    fields = {"DateTimeOriginal": 0x9003, "OffsetTimeOriginal": 0x9011}
    record.get_ifd(0x8769).update({fields[name]: value for name, value in exif.items()})
    rng = np.random.default_rng(5)
    pixels = rng.integers(110, 140, (600, 800, 3), np.uint8)
    file = BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", exif=record)
    path.write_bytes(file.getvalue())
    return path


@pytest.fixture(scope="module")
def pool() -> Iterator[PoolInspector]:
    pool = PoolInspector(processes=1, waiting=1, seconds=60.0)
    yield pool
    pool.close()


def test_warm_pool_has_its_process_before_the_first_photo() -> None:
    pool = PoolInspector(processes=1, waiting=1, seconds=60.0)
    before = set(multiprocessing.active_children())
    pool.warm()
    assert len(set(multiprocessing.active_children()) - before) == 1
    pool.close()


def test_photo_without_tags_is_measured_by_the_library(pool: PoolInspector, tmp_path: Path) -> None:
    done = pool.inspect(_job(_grey(tmp_path / "wall.jpg")))
    assert done.record["problem"] == "No tag of the reference kit could be read in this photo."
    assert (done.record["width"], done.record["height"]) == (800, 600)
    assert (done.taken_at, done.taken_at_from) == (RECEIVED, "received")
    with Image.open(BytesIO(done.pictures["thumbnail.jpg"])) as small:
        assert small.size == (480, 360)


def test_file_that_is_no_photo_says_so(pool: PoolInspector, tmp_path: Path) -> None:
    path = tmp_path / "note.txt"
    path.write_bytes(b"buy seed")
    done = pool.inspect(_job(path))
    assert "note.txt" in done.record["problem"]
    assert done.record["width"] is None
    assert done.pictures == {}


@pytest.mark.parametrize(
    ("exif", "given", "taken_at", "source"),
    [
        ({}, None, RECEIVED, "received"),
        (
            {"DateTimeOriginal": "2026:03:01 18:00:00", "OffsetTimeOriginal": "-05:00"},
            None,
            datetime(2026, 3, 1, 23, 0, tzinfo=UTC),
            "photo",
        ),
        (
            # A clock time alone is the room's: 18:00 in Vienna is 17:00 UTC in winter.
            {"DateTimeOriginal": "2026:03:01 18:00:00"},
            None,
            datetime(2026, 3, 1, 17, 0, tzinfo=UTC),
            "photo, in the room's time",
        ),
        (
            {"DateTimeOriginal": "2026:03:01 18:00:00", "OffsetTimeOriginal": "-05:00"},
            RECEIVED - timedelta(hours=1),
            RECEIVED - timedelta(hours=1),
            "given",
        ),
        # Clocks that are years ahead.
        (
            {"DateTimeOriginal": "2036:03:01 18:00:00", "OffsetTimeOriginal": "-05:00"},
            None,
            RECEIVED,
            "received",
        ),
        ({"DateTimeOriginal": "2036:03:01 18:00:00"}, None, RECEIVED, "received"),
    ],
)
def test_moment_comes_from_whoever_knows_it_best(
    tmp_path: Path, exif: dict[str, str], given: datetime | None, taken_at: datetime, source: str
) -> None:
    job = _job(_grey(tmp_path / "wall.jpg", **exif), taken_at=given)
    done = service.photos.measuring.inspect_job(job)
    assert (done.taken_at, done.taken_at_from) == (taken_at, source)


@pytest.mark.parametrize(
    ("clock", "taken_at", "said_at"),
    [
        # A camera without a battery, some minutes after its power came back, in Vienna's winter.
        (
            "2000:01:01 00:03:00",
            RECEIVED,
            datetime(1999, 12, 31, 23, 3, tzinfo=UTC),
        ),
        ("1970:01:01 01:00:07", RECEIVED, datetime(1970, 1, 1, 0, 0, 7, tzinfo=UTC)),
        # A card read in late, and the very first moment that is believed.
        ("2025:09:01 12:00:00", datetime(2025, 9, 1, 10, 0, tzinfo=UTC), None),
        ("2025:03:01 01:00:00", datetime(2025, 3, 1, tzinfo=UTC), None),
        # Ahead by more than a time zone that nobody set can explain.
        ("2036:03:01 18:00:00", RECEIVED, datetime(2036, 3, 1, 17, 0, tzinfo=UTC)),
        # Year 1 has no moment in UTC, so it says nothing.
        ("0001:01:01 00:00:00", RECEIVED, None),
    ],
)
def test_clock_that_cannot_be_is_not_believed_and_kept(
    tmp_path: Path, clock: str, taken_at: datetime, said_at: datetime | None
) -> None:
    path = _grey(tmp_path / "wall.jpg", DateTimeOriginal=clock)
    job = _job(path, not_before=datetime(2025, 3, 1, tzinfo=UTC))
    done = service.photos.measuring.inspect_job(job)
    assert (done.taken_at, done.said_at) == (taken_at, said_at)
    assert (done.taken_at_from == "received") == (taken_at == RECEIVED)


def _end_the_reader(_job: InspectionJob) -> InspectedPhoto:
    os._exit(9)


def _never_end(_job: InspectionJob) -> InspectedPhoto:
    time.sleep(600)
    raise AssertionError


def _fault(_job: InspectionJob) -> InspectedPhoto:
    raise ZeroDivisionError


@pytest.mark.parametrize(
    ("work", "seconds", "problem"),
    [
        (_end_the_reader, 60.0, "could not be read: reading it ended the reader"),
        (_never_end, 1.5, "took longer than 1.5 s to measure"),
        (_fault, 60.0, "the program failed (ZeroDivisionError)"),
    ],
)
def test_photo_that_breaks_its_reader_is_kept_with_its_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, work: Any, seconds: float, problem: str
) -> None:
    monkeypatch.setattr(service.photos.measuring, "inspect_job", work)
    inspector = PoolInspector(processes=1, waiting=1, seconds=seconds)
    try:
        done = inspector.inspect(_job(tmp_path / "odd.jpg"))
        assert problem in done.record["problem"]
        assert done.record["trays"] == []
    finally:
        inspector.close()


def test_more_than_may_wait_are_turned_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(service.photos.measuring, "inspect_job", _never_end)
    inspector = PoolInspector(processes=1, waiting=1, seconds=600.0)
    job = _job(tmp_path / "slow.jpg")

    def wait() -> None:
        with suppress(Busy):
            inspector.inspect(job)

    threads = [threading.Thread(target=wait) for _ in range(2)]
    for thread in threads:
        thread.start()
    while inspector.waiting < 2:
        time.sleep(0.01)
    with pytest.raises(Busy, match="photo cannot be taken in while so many others wait"):
        inspector.inspect(job)
    inspector.close()
    for thread in threads:
        thread.join(10)
    assert inspector.waiting == 0


def test_rehearsal_goes_through_all_that_a_photo_goes_through(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rehearsed: list[InspectedPhoto] = []

    def kept(job: InspectionJob) -> InspectedPhoto:
        rehearsed.append(service.photos.measuring.inspect_job(job))
        return rehearsed[-1]

    monkeypatch.setattr("service.photos.inspection_rehearsal.inspect_job", kept)
    rehearse()
    without_kit, marked = rehearsed
    assert (
        without_kit.record["problem"] == "No tag of the reference kit could be read in this photo."
    )
    assert marked.record["problem"] is None
    assert len(marked.record["trays"]) == 1
    assert {"thumbnail.jpg", "photo.jpg", "overlay.jpg"} <= marked.pictures.keys()


def test_process_ends_with_a_service_that_was_killed() -> None:
    program = (
        "import os, sys; from service.photos.measuring_pool import new_pool; pool = new_pool(1); "
        "print(pool.submit(os.getpid).result(), flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as killed:
        assert killed.stdout is not None
        assert int(killed.stdout.readline()) != killed.pid
        killed.kill()
        # The process that measures has the same output: it ends only where that one has ended too.
        rest, _ = killed.communicate(timeout=60)
    assert rest == b""
