"""Where photos lie: originals by the hash of their bytes, and pictures that can be made again.

An original is written once, never changed and never written over. It counts as kept when its
bytes and its name in the folder are on the disk (fsync of both).
"""

import os
import tempfile
from collections.abc import Collection
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

_NAME_PARTS = 2


@dataclass(frozen=True)
class StrayOriginal:
    """A file among the originals that belongs to no photo: where it lies, and since when."""

    place: str
    size_bytes: int
    kept_at: datetime


class PhotoStore:
    """A folder of originals and derived pictures.

    Parameters
    ----------
    folder : Path
        Made where it is missing.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._originals = folder / "originals"
        self._derived = folder / "derived"
        for part in (self._originals, self._derived):
            part.mkdir(parents=True, exist_ok=True)

    def original(self, sha256: str) -> Path:
        """Path of an original, whether it is there or not."""
        return self._originals / sha256[:_NAME_PARTS] / sha256

    def has_original(self, sha256: str) -> bool:
        """Whether an original is there."""
        return self.original(sha256).exists()

    def keep_original(self, sha256: str, content: bytes) -> Path:
        """Keep the bytes of a photo; on return they are on the disk."""
        path = self.original(sha256)
        if not path.exists():
            _write_durably(path, content)
        return path

    def let_original_go(self, sha256: str) -> None:
        """Delete an original; the log must say so first."""
        self.original(sha256).unlink(missing_ok=True)

    def stray_originals(self, named: Collection[str], before: datetime) -> list[StrayOriginal]:
        """Files among the originals that are not `named` and were kept before a moment."""
        found = []
        for path in sorted(self._originals.rglob("*")):
            # Whoever writes or lets go meanwhile may take a file away.
            if path.name in named or not path.is_file():
                continue
            with suppress(FileNotFoundError):
                state = path.stat()
                kept_at = datetime.fromtimestamp(state.st_mtime, UTC)
                if kept_at < before:
                    found.append(StrayOriginal(str(path), state.st_size, kept_at))
        return found

    def derived(self, sha256: str, name: str) -> Path:
        """Path of a derived picture, such as ``overlay.jpg``, whether it is there or not."""
        return self._derived / sha256[:_NAME_PARTS] / sha256 / name

    def keep_derived(self, sha256: str, name: str, content: bytes) -> Path:
        """Keep a picture that can be made again: whole or not at all, but not waited for."""
        path = self.derived(sha256, name)
        self._write_copy(path, content)
        return path

    def derived_names(self, sha256: str) -> list[str]:
        """Names of the derived pictures of a photo."""
        return sorted(path.name for path in self.derived(sha256, "any").parent.glob("*.*"))

    def _write_copy(self, path: Path, content: bytes) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        _write_aside(path, content, durable=False)


def _write_durably(path: Path, content: bytes) -> None:
    new_folder = not path.parent.exists()
    path.parent.mkdir(parents=True, exist_ok=True)
    _write_aside(path, content, durable=True)
    _sync_folder(path.parent)
    if new_folder:
        _sync_folder(path.parent.parent)


def _write_aside(path: Path, content: bytes, *, durable: bool) -> None:
    """Write beside the path and rename, so that nobody ever reads half a file."""
    handle, aside = tempfile.mkstemp(dir=path.parent, prefix=".new-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            if durable:
                file.flush()
                os.fsync(file.fileno())
        Path(aside).replace(path)
    except BaseException:
        Path(aside).unlink(missing_ok=True)
        raise


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
