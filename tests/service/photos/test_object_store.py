"""Photos in an object store: a real S3 server on this machine, spoken to as any other."""

import os
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any
from uuid import uuid4

import boto3
import pytest
from moto.server import ThreadedMotoServer

from service.app import close_service, create_app, open_service
from service.archives.backup import restore, write_backup
from service.log.refusals import Busy
from service.photos.object_store import ObjectStore, photo_store
from service.settings import Settings
from tests.service.conftest import START, Room
from tests.service.recorded_inspections import RecordedInspector, photo_bytes

CONTENT = b"not a square picture"
DIGEST = sha256(CONTENT).hexdigest()
# The fake account that such servers take.
ACCOUNT = {
    "AWS_ACCESS_KEY_ID": "testing",
    "AWS_SECRET_ACCESS_KEY": "testing",
    "AWS_DEFAULT_REGION": "us-east-1",
    "AWS_EC2_METADATA_DISABLED": "true",
}


@pytest.fixture(scope="module")
def server() -> Iterator[ThreadedMotoServer]:
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    yield server
    server.stop()


@pytest.fixture
def bucket(server: ThreadedMotoServer, monkeypatch: pytest.MonkeyPatch) -> Any:
    """A new bucket, as the server's own client sees it."""
    host, port = server.get_host_and_port()
    for name in [name for name in os.environ if name.startswith("AWS_")]:
        monkeypatch.delenv(name)
    for name, value in {**ACCOUNT, "AWS_ENDPOINT_URL": f"http://{host}:{port}"}.items():
        monkeypatch.setenv(name, value)
    bucket = boto3.resource("s3").Bucket(f"room-{uuid4().hex}")
    bucket.create()
    return bucket


@pytest.fixture
def settings(bucket: Any, settings: Settings) -> Settings:
    """Settings of a fresh room on each database, its photos in the bucket."""
    return settings.model_copy(update={"photo_store": f"s3://{bucket.name}/farm"})


def _names(bucket: Any) -> set[str]:
    return {one.key for one in bucket.objects.all()}


def _copies(settings: Settings) -> list[Path]:
    return [path for path in (settings.data / "photo-copies").rglob("*") if path.is_file()]


def _forget_copies(settings: Settings) -> None:
    for path in _copies(settings):
        path.unlink()


def test_acknowledged_photo_is_in_the_store(room: Room, bucket: Any, settings: Settings) -> None:
    photo = room.photograph(17, START, height_mm=60.0)
    content = room.client.get(photo["original"]).content
    name = f"farm/originals/{photo['sha256'][:2]}/{photo['sha256']}"
    assert bucket.Object(name).get()["Body"].read() == content
    assert sha256(content).hexdigest() == photo["sha256"]
    assert not (settings.data / "photos").exists()


def test_pictures_come_back_when_the_copies_are_gone(room: Room, settings: Settings) -> None:
    photo = room.photograph(17, START, height_mm=60.0)
    before = [room.client.get(photo[one]).content for one in ("original", "thumbnail", "overlay")]
    inspected = len(room.inspector.jobs)
    _forget_copies(settings)
    after = [room.client.get(photo[one]).content for one in ("original", "thumbnail", "overlay")]
    assert after == before
    # Fetched, not drawn again.
    assert len(room.inspector.jobs) == inspected


def test_photo_is_refused_while_the_store_does_not_answer(
    room: Room, bucket: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = room.service.store
    assert isinstance(store, ObjectStore)
    content = photo_bytes({"number": 17}, taken_at=START.isoformat())

    def fail(*_: Any, **__: Any) -> None:
        raise OSError("connection refused")

    with monkeypatch.context() as patched:
        patched.setattr(store._remote, "pipe_file", fail)
        answer = room.send(content)
    assert answer.status_code == 503
    assert "photo store must answer, but: OSError: connection refused" in answer.json()["detail"]
    assert answer.headers["content-type"] == "application/problem+json"
    assert room.get("/api/photos")["photos"] == []
    assert _names(bucket) == set()
    assert room.send(content).status_code == 201


def test_half_an_object_counts_as_nothing(
    room: Room, bucket: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = room.service.store
    assert isinstance(store, ObjectStore)
    monkeypatch.setattr(store._remote, "size", lambda _name: 3)
    with pytest.raises(Busy, match="must keep 20 bytes, but has 3"):
        store.keep_original(DIGEST, CONTENT)
    assert len(_names(bucket)) == 1


def test_old_objects_that_no_record_names_are_told(bucket: Any, tmp_path: Path) -> None:
    address = f"s3://{bucket.name}/farm"
    store = ObjectStore(address, tmp_path, cache_bytes=10**6)
    named = sha256(b"named").hexdigest()
    store.keep_original(named, b"named")
    store.keep_original(DIGEST, CONTENT)
    now = datetime.now(UTC)
    assert store.stray_originals([named], now - timedelta(days=1)) == []
    (stray,) = store.stray_originals([named], now + timedelta(days=1))
    place = "/".join((address, "originals", DIGEST[:2], DIGEST))
    assert (stray.place, stray.size_bytes) == (place, len(CONTENT))


def test_only_so_many_copies_stay(bucket: Any, tmp_path: Path) -> None:
    store = ObjectStore(f"s3://{bucket.name}/farm", tmp_path, cache_bytes=1000)
    contents = [bytes([number]) * 400 for number in range(4)]
    digests = [sha256(content).hexdigest() for content in contents]
    long_ago = time.time() - 100_000
    for age, (digest, content) in enumerate(zip(digests, contents, strict=True)):
        os.utime(store.keep_original(digest, content), (long_ago + age, long_ago + age))
    files = {path.name for path in tmp_path.rglob("*") if path.is_file()}
    # The last one is in use; of the others the oldest went.
    assert files == set(digests[2:])
    assert [store.original(digest).read_bytes() for digest in digests] == contents


def test_original_let_go_is_gone_and_its_thumbnail_stays(bucket: Any, tmp_path: Path) -> None:
    store = ObjectStore(f"s3://{bucket.name}/farm", tmp_path, cache_bytes=10**6)
    store.keep_original(DIGEST, CONTENT)
    store.keep_derived(DIGEST, "thumbnail.jpg", b"small")
    store.let_original_go(DIGEST)
    assert (store.has_original(DIGEST), store.original(DIGEST).exists()) == (False, False)
    assert _names(bucket) == {f"farm/derived/{DIGEST[:2]}/{DIGEST}/thumbnail.jpg"}
    assert store.derived_names(DIGEST) == ["thumbnail.jpg"]
    store.let_original_go(DIGEST)


def test_room_is_backed_up_and_restored(room: Room, bucket: Any, tmp_path: Path) -> None:
    photo = room.photograph(17, START, height_mm=60.0)
    backup = write_backup(room.service, tmp_path / "room.zip")
    assert backup.photos == 1
    elsewhere = Settings(data=tmp_path / "other", photo_store=f"s3://{bucket.name}/other")
    restore(elsewhere, tmp_path / "room.zip")
    service = open_service(elsewhere, inspector=RecordedInspector())
    assert service.store.original(photo["sha256"]).read_bytes() == (
        room.service.store.original(photo["sha256"]).read_bytes()
    )
    assert f"other/originals/{photo['sha256'][:2]}/{photo['sha256']}" in _names(bucket)
    close_service(service)


def test_any_protocol_of_fsspec_serves(tmp_path: Path) -> None:
    address = f"memory://{uuid4().hex}/room"
    settings = Settings(data=tmp_path, photo_store=address)
    photo_store(settings).keep_original(DIGEST, CONTENT)
    (tmp_path / "photo-copies" / "originals" / DIGEST[:2] / DIGEST).unlink()
    assert photo_store(settings).original(DIGEST).read_bytes() == CONTENT


@pytest.mark.parametrize(
    ("address", "message"),
    [
        ("/srv/photos", "must be an address such as s3://bucket/room, got '/srv/photos'"),
        ("file:///srv/photos", "photos in a folder are kept in that of the setting data"),
        ("nowhere://photos", "photo_store 'nowhere://photos' cannot be opened"),
    ],
)
def test_wrong_address_is_refused_at_start(tmp_path: Path, address: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        create_app(Settings(data=tmp_path, photo_store=address), inspector=RecordedInspector())
