"""Pictures in a folder and its subfolders, listed again only where something may have changed.

A system notes in each folder when a name came into it or left it, but not whether a file that was
there already changed, and not every share and card notes even that; so all is listed now and then.
"""

import os
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from stat import S_ISREG
from typing import Final

WHOLE_EVERY: Final = timedelta(minutes=10)
# A card notes moments to two seconds, a share passes them on late: a name that came in the same
# moment as the last one would be missed.
_STILL_ROUNDS: Final = 3
# Of what is thrown away and of small copies that programs make for themselves.
_NO_PHOTOS: Final = (".", "@")
_SUFFIXES: Final = {".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif"}

Mark = tuple[str, int, datetime]


@dataclass(frozen=True)
class FolderFile:
    """One file as it lies in the folder; `name` is its path from there, in words that UTF-8 has."""

    path: Path
    name: str
    size_bytes: int
    modified_at: datetime

    @property
    def mark(self) -> Mark:
        """By what it is known again."""
        return self.name, self.size_bytes, self.modified_at


@dataclass(frozen=True)
class _Listed:
    """A folder as it was listed last, and for how many rounds nothing came or went since."""

    changed_ns: int
    still_rounds: int
    subfolders: tuple[Path, ...]


class FolderWalk:
    """Lists one folder round by round.

    Parameters
    ----------
    folder : Path
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._listed: dict[Path, _Listed] = {}
        self._whole_at: datetime | None = None

    def pictures(self, now: datetime, *, also: Collection[Path]) -> list[FolderFile]:
        """Pictures of all folders that changed and of those in `also`; at times of all.

        Raises
        ------
        OSError
            If the folder itself cannot be read; then all is listed the next time.
        """
        before, self._listed = self._listed, {}
        if self._whole_at is None or not self._whole_at <= now < self._whole_at + WHOLE_EVERY:
            before, self._whole_at = {}, now
        try:
            return list(self._round(before, also))
        except OSError:
            self._whole_at = None
            raise

    def _round(self, before: dict[Path, _Listed], also: Collection[Path]) -> Iterator[FolderFile]:
        to_do = [self._folder]
        while to_do:
            folder = to_do.pop()
            try:
                changed_ns = folder.stat().st_mtime_ns
                last = before.get(folder)
                if last is not None and last.changed_ns == changed_ns:
                    still_rounds, subfolders = last.still_rounds + 1, last.subfolders
                else:
                    still_rounds, subfolders = 0, ()
                if still_rounds < _STILL_ROUNDS or folder in also:
                    with os.scandir(folder) as entries:
                        found = list(entries)
                    subfolders = tuple(_subfolders(found))
                    yield from self._files(found)
            except OSError:
                # A subfolder that cannot be read keeps the rest from nobody.
                if folder == self._folder:
                    raise
                continue
            self._listed[folder] = _Listed(changed_ns, still_rounds, subfolders)
            to_do += subfolders

    def _files(self, entries: list[os.DirEntry[str]]) -> Iterator[FolderFile]:
        for entry in entries:
            path = Path(entry.path)
            if entry.name.startswith(".") or path.suffix.lower() not in _SUFFIXES:
                continue
            try:
                found = entry.stat()
            except OSError:
                continue
            if S_ISREG(found.st_mode) and found.st_size > 0:
                modified_at = datetime.fromtimestamp(found.st_mtime, UTC)
                name = path.relative_to(self._folder).as_posix()
                yield FolderFile(path, _writable(name), found.st_size, modified_at)


def _subfolders(entries: list[os.DirEntry[str]]) -> Iterator[Path]:
    """No link to a folder is followed."""
    for entry in entries:
        if not entry.name.startswith(_NO_PHOTOS) and entry.is_dir(follow_symlinks=False):
            yield Path(entry.path)


def _writable(name: str) -> str:
    r"""A name in which bytes that are no UTF-8 stand as such, like ``a\xff.jpg``."""
    return os.fsencode(name).decode("utf-8", "backslashreplace")
