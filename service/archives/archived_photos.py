"""Photos into archives and back: originals, and pictures of those whose originals were let go.

Pictures of an original that is kept can be drawn again, so they are not copied.
"""

from collections.abc import Iterator
from datetime import datetime
from hashlib import sha256

import sqlalchemy as sa

from service.archives.archive import ArchiveReader, ArchiveWriter
from service.log.refusals import Refusal
from service.log.schema import PHOTO
from service.photos.photo_store import PhotoStore
from service.photos.retention_log import enter_let_go

_LARGEST_PHOTO_BYTES = 500_000_000

Kept = dict[str, bool]


def kept_originals(connection: sa.Connection) -> Kept:
    """Whether its original is kept, by sha256 of all photos of a log."""
    statement = sa.select(PHOTO.c.sha256, PHOTO.c.original_kept).order_by(PHOTO.c.id)
    return {row.sha256: row.original_kept for row in connection.execute(statement)}


def missing_originals(store: PhotoStore, kept: Kept) -> list[str]:
    """Photos whose original the log says is kept, but is not in the store."""
    return sorted(digest for digest in kept if kept[digest] and not store.has_original(digest))


def add_photos(writer: ArchiveWriter, store: PhotoStore, kept: Kept) -> Iterator[bytes]:
    """Copy what the store holds of these photos; gives out what is ready meanwhile."""
    for digest, is_kept in kept.items():
        if is_kept and store.has_original(digest):
            yield from writer.add_file(f"photos/{digest}", store.original(digest))
        if not is_kept:
            for name in store.derived_names(digest):
                if name.endswith(".jpg"):
                    yield from writer.add_file(
                        f"derived/{digest}/{name}", store.derived(digest, name)
                    )


def bring_photos(archive: ArchiveReader, store: PhotoStore) -> list[str]:
    """Keep all photos of an archive; returns those whose original was not there before.

    Raises
    ------
    Refusal
        If the bytes of a photo are not those that its name says.
    """
    new = []
    for name in archive.names("photos"):
        digest = name.partition("/")[2]
        content = _content(archive, name)
        if sha256(content).hexdigest() != digest:
            raise Refusal(name, "must be named after the sha256 of its bytes")
        if not store.has_original(digest):
            store.keep_original(digest, content)
            new.append(digest)
    for name in archive.names("derived"):
        _, digest, picture = name.split("/")
        if not store.derived(digest, picture).exists():
            store.keep_derived(digest, picture, _content(archive, name))
    return new


def mark_missing(connection: sa.Connection, store: PhotoStore, *, let_go_at: datetime) -> int:
    """Say of originals that are nowhere that they are not kept; returns their number."""
    missing = set(missing_originals(store, kept_originals(connection)))
    rows = connection.execute(sa.select(PHOTO.c.id, PHOTO.c.sha256).order_by(PHOTO.c.id))
    ids = [row.id for row in rows if row.sha256 in missing]
    enter_let_go(connection, ids, let_go_at, rule="its original was not in the archive")
    return len(ids)


def _content(archive: ArchiveReader, name: str) -> bytes:
    size_bytes = archive.manifest.members[name].size_bytes
    if size_bytes > _LARGEST_PHOTO_BYTES:
        raise Refusal(name, f"must have at most {_LARGEST_PHOTO_BYTES} bytes, has {size_bytes}")
    return b"".join(archive.chunks(name))
