"""One zip file of members and a manifest: what exports and backups are written into.

The manifest comes last, since it holds the sha256 and size of every other member; so a file that
was cut off has none and is refused. Members are written one after the other and nothing is gone
back to, so that a file can be sent while it is still being made.
"""

import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from tempfile import SpooledTemporaryFile
from typing import IO, Literal
from zipfile import ZIP_DEFLATED, ZIP_STORED, BadZipFile, ZipFile, ZipInfo

from pydantic import BaseModel, ConfigDict, ValidationError

from service.archives.archive_rules import MANIFEST, check_members
from service.log.refusals import Refusal

FORMAT = 1
_CHUNK_BYTES = 1 << 20
_IN_MEMORY_BYTES = 8 << 20
_LARGEST_MANIFEST_BYTES = 256 << 20


class Part(BaseModel):
    """What the manifest says of one member."""

    sha256: str
    size_bytes: int


class Manifest(BaseModel):
    """What an archive is and holds.

    Parameters
    ----------
    kind : str
        ``"export"``, to take along and read anywhere, without what is secret; or ``"backup"``.
    schema_revision : str
        Newest migration of the log that it was written from.
    rows : dict
        Number of rows by table.
    photos : str
        ``"all"`` where it holds every original that the log says is kept, ``"none"``, or
        ``"incomplete"`` where some of them were missing on the disk: `missing_originals`.
    """

    model_config = ConfigDict(extra="forbid")

    kind: Literal["export", "backup"]
    format: int
    trayvision: str
    schema_revision: str
    written_at: datetime
    rows: dict[str, int]
    photos: Literal["all", "none", "incomplete"]
    missing_originals: list[str]
    members: dict[str, Part]


class ArchiveWriter:
    """Writes members; what is ready can be taken out while more is written.

    Parameters
    ----------
    folder : Path
        Where what was not taken out yet may lie.
    written_at : datetime
        Stated as the time of every member.
    """

    def __init__(self, folder: Path, written_at: datetime) -> None:
        self._outlet = _Outlet(folder)
        self._zip = ZipFile(self._outlet, "w")
        self._time = written_at.timetuple()[:6]
        self.parts: dict[str, Part] = {}

    @contextmanager
    def member(self, name: str, *, compressed: bool = True) -> Iterator["MemberWriter"]:
        """A member to write bytes into."""
        info = ZipInfo(name, self._time)
        info.compress_type = ZIP_DEFLATED if compressed else ZIP_STORED
        info.external_attr = 0o644 << 16
        with self._zip.open(info, "w", force_zip64=True) as file:
            writer = MemberWriter(file)
            yield writer
        self.parts[name] = Part(sha256=writer.hash.hexdigest(), size_bytes=writer.size_bytes)

    def add_file(self, name: str, path: Path, *, compressed: bool = False) -> Iterator[bytes]:
        """Copy a file into a member, giving out what is ready meanwhile."""
        with path.open("rb") as source, self.member(name, compressed=compressed) as member:
            while chunk := source.read(_CHUNK_BYTES):
                member.write(chunk)
                yield from self.ready()

    def finish(self, manifest: Manifest) -> Iterator[bytes]:
        """Write the manifest and what closes the file; gives out the rest of it."""
        with self.member(MANIFEST) as member:
            member.write(manifest.model_dump_json(indent=1).encode())
        self._zip.close()
        yield from self.ready()

    def ready(self) -> Iterator[bytes]:
        """Take out what was written since the last time."""
        return self._outlet.take()

    def close(self) -> None:
        """Give up what was not taken out."""
        self._zip.close()
        self._outlet.close()


class MemberWriter:
    """Bytes into one member, counted and hashed."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self.hash = sha256()
        self.size_bytes = 0

    def write(self, content: bytes) -> int:
        """Add bytes."""
        self.hash.update(content)
        self.size_bytes += len(content)
        return self._file.write(content)


class _Outlet:
    """A file that cannot be gone back in, and that is emptied by reading it."""

    def __init__(self, folder: Path) -> None:
        self._held = SpooledTemporaryFile[bytes](max_size=_IN_MEMORY_BYTES, dir=str(folder))

    def write(self, content: bytes) -> int:
        return self._held.write(content)

    def flush(self) -> None:
        """Nothing waits."""

    def take(self) -> Iterator[bytes]:
        self._held.seek(0)
        while chunk := self._held.read(_CHUNK_BYTES):
            yield chunk
        self._held.seek(0)
        self._held.truncate()

    def close(self) -> None:
        self._held.close()


class ArchiveReader:
    """Reads an archive that may come from anywhere; nothing is ever unpacked by a name in it.

    Raises
    ------
    Refusal
        If the file is no archive of this service; it names the member and the rule.
    """

    def __init__(self, path: Path) -> None:
        try:
            self._zip = ZipFile(path)
        except (BadZipFile, OSError, NotImplementedError, ValueError) as error:
            raise Refusal(path.name, f"must be a whole zip file: {error}") from error
        try:
            self._infos = check_members(self._zip, path.stat().st_size)
            self.manifest = self._read_manifest()
        except BaseException:
            self._zip.close()
            raise

    def __enter__(self) -> "ArchiveReader":
        return self

    def __exit__(self, *_error: object) -> None:
        self._zip.close()

    def has(self, name: str) -> bool:
        """Whether there is such a member."""
        return name in self.manifest.members

    def names(self, folder: str) -> list[str]:
        """Members of a folder, such as ``"photos"``."""
        return [name for name in self.manifest.members if name.startswith(f"{folder}/")]

    def chunks(self, name: str) -> Iterator[bytes]:
        """Bytes of a member, held to what the manifest says of them."""
        part = self.manifest.members.get(name)
        if part is None:
            raise Refusal(name, "must be in the archive, but is not")
        digest, size = sha256(), 0
        for chunk in self._raw(name, part.size_bytes):
            digest.update(chunk)
            size += len(chunk)
            yield chunk
        if size != part.size_bytes:
            raise Refusal(name, f"must have {part.size_bytes} bytes, has {size}")
        if digest.hexdigest() != part.sha256:
            raise Refusal(name, "must have the sha256 that the manifest states, but is damaged")

    @contextmanager
    def file(self, name: str) -> Iterator[IO[bytes]]:
        """A member as a file; `verify` has to come first."""
        with self._zip.open(self._infos[name]) as file:
            yield file

    def verify(self) -> None:
        """Read everything once and hold it to the manifest."""
        stated, there = set(self.manifest.members), set(self._infos) - {MANIFEST}
        for name in sorted(stated ^ there):
            where = "the manifest" if name in stated else "the archive"
            raise Refusal(name, f"must be both in archive and manifest, is only in {where}")
        for name in self.manifest.members:
            for _ in self.chunks(name):
                pass

    def _raw(self, name: str, most_bytes: int) -> Iterator[bytes]:
        left = most_bytes
        try:
            with self._zip.open(self._infos[name]) as file:
                # One byte more than stated is enough to know.
                while chunk := file.read(min(_CHUNK_BYTES, left + 1)):
                    left -= len(chunk)
                    yield chunk
                    if left < 0:
                        return
        except KeyError:
            raise Refusal(name, "must be in the archive, but is only in the manifest") from None
        except (BadZipFile, zlib.error, EOFError, OSError, NotImplementedError) as error:
            raise Refusal(name, f"must be readable, but is damaged: {error}") from error

    def _read_manifest(self) -> Manifest:
        if MANIFEST not in self._infos:
            raise Refusal(MANIFEST, "must be in the archive, but is not")
        text = b"".join(self._raw(MANIFEST, _LARGEST_MANIFEST_BYTES))
        try:
            manifest = Manifest.model_validate_json(text)
        except ValidationError as error:
            first = error.errors()[0]
            where = ".".join(str(part) for part in first["loc"]) or "all of it"
            raise Refusal(MANIFEST, f"breaks a rule at {where}: {first['msg']}") from error
        if manifest.format != FORMAT:
            raise Refusal(
                MANIFEST,
                f"must have format {FORMAT}, got {manifest.format}, "
                f"written by trayvision {manifest.trayvision}",
            )
        return manifest


def photos_word(with_photos: bool, missing: Sequence[str]) -> Literal["all", "none", "incomplete"]:
    """How complete the originals of an archive are."""
    if not with_photos:
        return "none"
    return "incomplete" if missing else "all"
