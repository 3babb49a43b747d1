"""Photos in an object store, with copies of the last used ones in the data folder.

Which store it is says its address alone: fsspec brings the protocols, and the libraries behind
them take keys and regions from their own environment variables, such as AWS_ACCESS_KEY_ID and
AWS_ENDPOINT_URL. An object is put in one request, so that nobody ever reads half of it; it
counts as kept once the store said so and names its whole size.
"""

import os
import threading
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from time import time

import fsspec

from service.log.refusals import Busy
from service.photos.photo_store import PhotoStore, StrayOriginal
from service.settings import Settings

# A copy that was handed out may be read for that long, by a process of the pool too.
_IN_USE_SECONDS = 900.0
# The folder is looked through again once so much of the allowed size was added.
_LOOK_SHARE = 0.1


class ObjectStore(PhotoStore):
    """Originals and derived pictures in an object store.

    Parameters
    ----------
    address : str
        As fsspec takes it, such as ``s3://bucket/room``.
    folder : Path
        For the copies.
    cache_bytes : int
        How much of copies stays in the folder.

    Raises
    ------
    ValueError
        If nothing installed speaks the address's protocol, or it names a plain folder.
    """

    def __init__(self, address: str, folder: Path, *, cache_bytes: int) -> None:
        protocol = address.partition("://")[0]
        if protocol in (address, "file", "local"):
            raise ValueError(
                f"photo_store must be an address such as s3://bucket/room, got {address!r}; "
                "photos in a folder are kept in that of the setting data"
            )
        try:
            # Listings kept from before would say of an object that it is not there.
            self._remote, self._root = fsspec.core.url_to_fs(
                address, use_listings_cache=False, skip_instance_cache=protocol != "memory"
            )
        except (ImportError, ValueError) as error:
            raise ValueError(f"photo_store {address!r} cannot be opened: {error}") from error
        super().__init__(folder)
        self._cache_bytes = cache_bytes
        self._added_bytes = cache_bytes
        self._turn = threading.Lock()

    def original(self, sha256: str) -> Path:
        """Path of a copy of an original; there is none where the store has no original."""
        return self._copy(super().original(sha256))

    def has_original(self, sha256: str) -> bool:
        """Whether the store has an original."""
        with _answering():
            return bool(self._remote.exists(self._name(super().original(sha256))))

    def keep_original(self, sha256: str, content: bytes) -> Path:
        """Keep the bytes of a photo; on return the store has them. Raises Busy."""
        path = super().original(sha256)
        if not self.has_original(sha256):
            self._put(path, content)
            with _answering():
                size_bytes = self._remote.size(self._name(path))
            if size_bytes != len(content):
                raise Busy("photo store", f"must keep {len(content)} bytes, but has {size_bytes}")
        return self._keep_copy(path, content)

    def let_original_go(self, sha256: str) -> None:
        """Delete an original; the log must say so first. Raises Busy."""
        with _answering():
            name = self._name(super().original(sha256))
            if self._remote.exists(name):
                self._remote.rm_file(name)
        super().let_original_go(sha256)

    def stray_originals(self, named: Collection[str], before: datetime) -> list[StrayOriginal]:
        """Objects among the originals that are not `named` and were kept before a moment.

        A store that does not tell when an object was kept has none that is known to be old.
        Raises Busy.
        """
        with _answering():
            there = self._remote.find(self._name(self._originals), detail=True)
            found = []
            for name, state in sorted(there.items()):
                if name.rpartition("/")[2] in named:
                    continue
                with suppress(NotImplementedError):
                    kept_at = self._remote.modified(name)
                    if kept_at.tzinfo is None:
                        kept_at = kept_at.replace(tzinfo=UTC)
                    if kept_at < before:
                        place = self._remote.unstrip_protocol(name)
                        found.append(StrayOriginal(place, int(state["size"]), kept_at))
            return found

    def derived(self, sha256: str, name: str) -> Path:
        """Path of a copy of a derived picture; there is none where the store has none."""
        return self._copy(super().derived(sha256, name))

    def keep_derived(self, sha256: str, name: str, content: bytes) -> Path:
        """Keep a picture: it outlasts its original and the copies. Raises Busy."""
        path = super().derived(sha256, name)
        self._put(path, content)
        return self._keep_copy(path, content)

    def derived_names(self, sha256: str) -> list[str]:
        """Names of the derived pictures of a photo that the store has."""
        with _answering():
            try:
                found = self._remote.ls(self._name(super().derived(sha256, "")), detail=False)
            except FileNotFoundError:
                return []
        return sorted(str(one).rstrip("/").rpartition("/")[2] for one in found)

    def _name(self, path: Path) -> str:
        return f"{self._root}/{path.relative_to(self.folder).as_posix()}"

    def _put(self, path: Path, content: bytes) -> None:
        name = self._name(path)
        with _answering():
            try:
                self._remote.pipe_file(name, content)
            except FileNotFoundError:
                # Stores with folders want them made.
                self._remote.makedirs(name.rpartition("/")[0], exist_ok=True)
                self._remote.pipe_file(name, content)

    def _copy(self, path: Path) -> Path:
        if path.exists():
            os.utime(path)
            return path
        with _answering():
            try:
                content = self._remote.cat_file(self._name(path))
            except FileNotFoundError:
                return path
        return self._keep_copy(path, content)

    def _keep_copy(self, path: Path, content: bytes) -> Path:
        self._write_copy(path, content)
        with self._turn:
            self._added_bytes += len(content)
            if self._added_bytes < _LOOK_SHARE * self._cache_bytes:
                return path
            self._added_bytes = 0
            self._make_room()
        return path

    def _make_room(self) -> None:
        """Delete the copies that were not used for longest."""
        states = [(path, path.stat()) for path in self.folder.rglob("*") if path.is_file()]
        size_bytes = sum(state.st_size for _, state in states)
        for path, state in sorted(states, key=lambda one: one[1].st_mtime):
            if size_bytes <= self._cache_bytes or state.st_mtime > time() - _IN_USE_SECONDS:
                return
            path.unlink(missing_ok=True)
            size_bytes -= state.st_size


@contextmanager
def _answering() -> Iterator[None]:
    """What a store's library raises, as a problem that passes."""
    try:
        yield
    except Busy:
        raise
    except Exception as error:
        raise Busy("photo store", f"must answer, but: {type(error).__name__}: {error}") from error


def photo_store(settings: Settings) -> PhotoStore:
    """Where the settings say that photos lie. Raises ValueError for a wrong address."""
    if settings.photo_store is None:
        return PhotoStore(settings.data / "photos")
    return ObjectStore(
        settings.photo_store,
        settings.data / "photo-copies",
        cache_bytes=settings.photo_cache_bytes,
    )
