"""Archives that are damaged, forged or made to do harm are refused, with member and rule."""

import json
import zipfile
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.archives.archive import FORMAT, ArchiveReader, ArchiveWriter, Manifest
from service.log.refusals import Refusal
from tests.service.conftest import START

_DIGEST = "ab" * 32
_CONTENT = b"".join(bytes([number % 251]) for number in range(5000))


def _manifest(parts: dict[str, Any], **other: Any) -> dict[str, Any]:
    return {
        "kind": "export",
        "format": FORMAT,
        "trayvision": "0.1.0",
        "schema_revision": "0001",
        "written_at": "2026-03-02T07:00:00Z",
        "rows": {},
        "photos": "none",
        "missing_originals": [],
        "members": parts,
        **other,
    }


def _part(content: bytes) -> dict[str, Any]:
    return {"sha256": sha256(content).hexdigest(), "size_bytes": len(content)}


def _zip(path: Path, members: dict[str, bytes], manifest: dict[str, Any] | None) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
        for name, content in members.items():
            file.writestr(name, content)
        if manifest is not None:
            file.writestr("manifest.json", json.dumps(manifest))
    return path


def _verify(path: Path) -> None:
    with ArchiveReader(path) as archive:
        archive.verify()


@pytest.fixture
def written(tmp_path: Path) -> Path:
    writer = ArchiveWriter(tmp_path, START)
    pieces = []
    with writer.member("log.json") as member:
        member.write(_CONTENT)
    pieces += list(writer.ready())
    (tmp_path / "photo").write_bytes(_CONTENT)
    pieces += list(writer.add_file(f"photos/{_DIGEST}", tmp_path / "photo"))
    manifest = Manifest.model_validate(_manifest({}) | {"members": writer.parts})
    pieces += list(writer.finish(manifest))
    writer.close()
    path = tmp_path / "written.zip"
    path.write_bytes(b"".join(pieces))
    return path


def test_what_was_written_in_pieces_is_read(written: Path) -> None:
    with ArchiveReader(written) as archive:
        archive.verify()
        assert b"".join(archive.chunks("log.json")) == _CONTENT
        assert archive.names("photos") == [f"photos/{_DIGEST}"]
    # An independent reader of the format finds nothing wrong either.
    with zipfile.ZipFile(written) as file:
        assert file.testzip() is None


@given(st.data())
def test_no_changed_byte_goes_unnoticed(tmp_path_factory: Any, data: st.DataObject) -> None:
    path = tmp_path_factory.mktemp("one") / "one.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as file:
        file.writestr("log.json", _CONTENT)
        file.writestr("manifest.json", json.dumps(_manifest({"log.json": _part(_CONTENT)})))
    whole = bytearray(path.read_bytes())
    place = whole.index(_CONTENT) + data.draw(st.integers(0, len(_CONTENT) - 1))
    whole[place] ^= data.draw(st.integers(1, 255))
    path.write_bytes(whole)
    with pytest.raises(Refusal, match=r"log\.json must be readable, but is damaged"):
        _verify(path)


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 0.999])
def test_file_that_was_cut_off_is_refused(written: Path, share: float) -> None:
    content = written.read_bytes()
    written.write_bytes(content[: int(share * len(content))])
    with pytest.raises(Refusal, match=r"written\.zip must be a whole zip file"):
        _verify(written)


@pytest.mark.parametrize(
    "name",
    [
        *(
            "../log.json",
            "/etc/passwd",
            "photos/../../x",
            "C:\\x",
            "tables/a.csv/../../x",
            "photos/",
        ),
        *("log.sqlite-wal", "tables/A.csv", f"photos/{_DIGEST}x", f"derived/{_DIGEST}/../a.jpg"),
    ],
)
def test_name_that_this_service_does_not_write_is_refused(tmp_path: Path, name: str) -> None:
    path = _zip(tmp_path / "a.zip", {name: b"x"}, _manifest({name: _part(b"x")}))
    with pytest.raises(Refusal, match="must be a name that this service writes"):
        _verify(path)


def test_what_unpacks_to_far_more_is_refused_before_it_is_read(tmp_path: Path) -> None:
    with (
        zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_DEFLATED) as file,
        file.open("log.json", "w", force_zip64=True) as member,
    ):
        for _ in range(300):
            member.write(bytes(1 << 20))
    with pytest.raises(Refusal, match="archive must not unpack to more than 300 times its"):
        ArchiveReader(tmp_path / "a.zip")


def _more_than_stated(path: Path) -> Path:
    return _zip(path, {"log.json": _CONTENT}, _manifest({"log.json": _part(_CONTENT[:-1])}))


def _other_than_stated(path: Path) -> Path:
    part = _part(_CONTENT) | {"sha256": _DIGEST}
    return _zip(path, {"log.json": _CONTENT}, _manifest({"log.json": part}))


def _not_stated(path: Path) -> Path:
    return _zip(path, {"log.json": _CONTENT}, _manifest({}))


def _not_there(path: Path) -> Path:
    return _zip(path, {}, _manifest({"log.json": _part(_CONTENT)}))


def _no_manifest(path: Path) -> Path:
    return _zip(path, {"log.json": _CONTENT}, None)


def _twice(path: Path) -> Path:
    _zip(path, {"log.json": b"x"}, None)
    with zipfile.ZipFile(path, "a") as file, pytest.warns(UserWarning, match="Duplicate name"):
        file.writestr("log.json", b"y")
    return path


def _another_packing(path: Path) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_LZMA) as file:
        file.writestr("log.json", b"x")
    return path


def _another_format(path: Path) -> Path:
    return _zip(path, {}, _manifest({}, format=FORMAT + 1))


def _another_manifest(path: Path) -> Path:
    return _zip(path, {}, _manifest({}, kind="poem"))


@pytest.mark.parametrize(
    ("make", "rule"),
    [
        (_more_than_stated, r"log\.json must have 4999 bytes, has 5000"),
        (_other_than_stated, r"log\.json must have the sha256 that the manifest states"),
        (_not_stated, r"log\.json must be both in archive and manifest, is only in the archive"),
        (_not_there, r"log\.json must be both in archive and manifest, is only in the manifest"),
        (_no_manifest, r"manifest\.json must be in the archive, but is not"),
        (_twice, r"log\.json must be in the archive once, is in it twice"),
        (_another_packing, r"log\.json must be stored or deflated, and not encrypted"),
        (
            _another_format,
            r"manifest\.json must have format 1, got 2, written by trayvision 0\.1\.0",
        ),
        (_another_manifest, r"manifest\.json breaks a rule at kind: "),
    ],
)
def test_archive_that_breaks_a_rule_is_refused(
    tmp_path: Path, make: Callable[[Path], Path], rule: str
) -> None:
    with pytest.raises(Refusal, match=rule):
        _verify(make(tmp_path / "a.zip"))
