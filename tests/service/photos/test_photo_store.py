"""Originals are written once and whole; derived pictures can be made again."""

import os
import stat
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from service.photos.photo_store import PhotoStore
from tests.service.conftest import START, Room
from tests.service.recorded_inspections import picture_saying

CONTENT = b"not a square picture"
DIGEST = sha256(CONTENT).hexdigest()


def test_original_comes_back_as_it_was(tmp_path: Path) -> None:
    store = PhotoStore(tmp_path)
    path = store.keep_original(DIGEST, CONTENT)
    assert path == store.original(DIGEST)
    assert path.read_bytes() == CONTENT
    assert [file.name for file in path.parent.iterdir()] == [DIGEST]


def test_original_is_never_written_over(tmp_path: Path) -> None:
    store = PhotoStore(tmp_path)
    before = store.keep_original(DIGEST, CONTENT).stat()
    after = store.keep_original(DIGEST, CONTENT).stat()
    assert (before.st_ino, before.st_mtime_ns) == (after.st_ino, after.st_mtime_ns)


def test_original_is_on_the_disk_before_it_has_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store, steps = PhotoStore(tmp_path), []
    sync, rename = os.fsync, Path.replace

    def synced(handle: int) -> None:
        steps.append("folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else "file")
        sync(handle)

    def renamed(self: Path, target: Path) -> Path:
        steps.append("name")
        return rename(self, target)

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(Path, "replace", renamed)
    store.keep_original(DIGEST, CONTENT)
    # The new folder's own name must last too.
    assert steps == ["file", "name", "folder", "folder"]


def test_failed_writing_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = PhotoStore(tmp_path)

    def fail(_handle: int) -> None:
        raise OSError("no space left")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OSError, match="no space left"):
        store.keep_original(DIGEST, CONTENT)
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_missing_picture_is_made_again(room: Room) -> None:
    photo = room.photograph(17, START)
    path = room.service.store.derived(photo["sha256"], "overlay.jpg")
    path.unlink()
    answer = room.client.get(photo["overlay"])
    assert (answer.status_code, answer.content) == (200, b"drawn")
    assert answer.headers["content-type"] == "image/jpeg"
    assert len(room.get(f"/api/photos/{photo['id']}/history")["entries"]) == 1


def test_view_of_a_tray_that_is_not_in_the_photo_is_not_found(room: Room) -> None:
    photo = room.photograph(17, START)
    path = f"/api/photos/{photo['id']}/trays"
    assert room.client.get(f"{path}/17/view").content == b"view"
    assert room.client.get(f"{path}/18/view").status_code == 404


def test_original_is_given_as_a_file_never_shown(room: Room) -> None:
    answer: Any = room.send(picture_saying("<script>alert(1)</script>")).json()["photos"][0]
    given = room.client.get(answer["original"])
    assert given.headers["content-type"] == "application/octet-stream"
    assert given.headers["content-disposition"].startswith("attachment")
