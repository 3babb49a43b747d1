"""A watched folder: pictures that a camera, a card or a sync program leaves there.

The folder is looked through at every round rather than watched by the system's notices, which
network shares and cards do not give. Its subfolders count too: cards and cameras begin a new one
each day or each thousand photos. A file counts once its size and time stood still for a while
and its end is there; one whose end never comes is taken in after a longer while all the same, so
that it is listed with its reason. Files are never moved or changed.
"""

import logging
from datetime import datetime, timedelta
from io import BytesIO
from pathlib import Path

import sqlalchemy as sa
from PIL import Image

from service.cameras.camera_clock import not_before
from service.cameras.camera_shots import NewShot, keep_shot, log_failure
from service.cameras.folder_walk import FolderFile, FolderWalk, Mark
from service.context import Service
from service.log.entries import current
from service.log.outside_schema import SEEN_FILE
from service.log.refusals import Busy, Refusal
from service.log.schema import CAMERA
from service.models.cameras import Camera
from service.photos.whole_pictures import is_whole
from trayvision.photo.exif import EXIF_ERRORS, read_exif
from trayvision.photo.photo import picture_type
from trayvision.quality_flags import Doubt

_LOG = logging.getLogger(__name__)
SETTLED_AFTER = timedelta(seconds=3)
GIVEN_UP_AFTER = timedelta(minutes=10)
# A folder of a year's photos is worked off over many rounds, so that others get their turn.
MOST_AT_ONCE = 20


class WatchedFolder:
    """Takes in what comes into one camera's folder.

    Parameters
    ----------
    folder : Path
    """

    def __init__(self, folder: Path) -> None:
        self._walk = FolderWalk(folder)
        self._stands_since: dict[Mark, datetime] = {}
        self._waiting: set[Path] = set()
        self._trouble = ""
        self._seen: set[Mark] | None = None

    def look(self, service: Service, camera: Camera) -> int:
        """One round; returns how many files were dealt with."""
        now = service.clock()
        try:
            files = self._walk.pictures(now, also=self._waiting)
        except OSError as error:
            self._tell(service, camera, f"folder cannot be read ({error.strerror})")
            return 0
        try:
            done = self._deal(service, camera, files, now)
        except Refusal:
            raise
        except Exception as error:
            self._tell(service, camera, f"the program failed ({type(error).__name__})")
            raise
        self._trouble = ""
        return done

    def _tell(self, service: Service, camera: Camera, trouble: str) -> None:
        """Once, not at every round: a share that is away for a night is one failure."""
        if trouble != self._trouble:
            log_failure(service, camera, trouble)
        self._trouble = trouble

    def _deal(
        self, service: Service, camera: Camera, files: list[FolderFile], now: datetime
    ) -> int:
        # Should anything fail from here on, these are listed again.
        self._waiting = {file.path.parent for file in files}
        if self._seen is None:
            self._seen = _seen(service, camera)
        fresh = [file for file in files if file.mark not in self._seen]
        self._waiting = {file.path.parent for file in fresh}
        self._stands_since = {file.mark: self._stands_since.get(file.mark, now) for file in fresh}
        ready = [file for file in fresh if now - self._stands_since[file.mark] >= SETTLED_AFTER]
        done = 0
        for file in sorted(ready, key=lambda one: (one.modified_at, one.name))[:MOST_AT_ONCE]:
            if self._taken(service, camera, file):
                self._seen.add(file.mark)
                done += 1
        return done

    def _taken(self, service: Service, camera: Camera, file: FolderFile) -> bool:
        """Take one file in; whether it is dealt with. One that cannot be keeps no other out."""
        try:
            if not self._take(service, camera, file):
                return False
            _enter_mark(service, camera, file.mark)
        except Refusal:
            raise
        except Exception as error:
            # It is tried again when the service starts anew.
            _LOG.exception("taking in %s failed", file.name)
            why = f"{file.name}: the program failed ({type(error).__name__})"
            log_failure(service, camera, why)
        return True

    def _take(self, service: Service, camera: Camera, file: FolderFile) -> bool:
        """Take one file in; whether it is dealt with for good."""
        waited = service.clock() - self._stands_since[file.mark]
        if file.size_bytes > service.settings.max_photo_bytes:
            rule = f"{file.name} has more than {service.settings.max_photo_bytes} bytes"
            log_failure(service, camera, rule)
            return True
        try:
            content = file.path.read_bytes()
        except OSError:
            return False
        if len(content) != file.size_bytes or (not is_whole(content) and waited < GIVEN_UP_AFTER):
            return False
        kind = picture_type(content) or "application/octet-stream"
        # A camera's own clock goes before the file's, which a copy may have changed.
        says_when = _says_when(content, kind)
        taken_at = None if says_when else _file_moment(service, camera, file)
        try:
            keep_shot(service, camera, NewShot(file.name, content, kind, taken_at))
        except Busy:
            return False
        except Refusal as refusal:
            log_failure(service, camera, f"{file.name}: {refusal}")
        return True


def _file_moment(service: Service, camera: Camera, file: FolderFile) -> datetime | None:
    """When a file was written; None where the clock that wrote it had gone back."""
    now = service.clock()
    with service.database.read() as connection:
        entered = current(CAMERA)
        statement = sa.select(entered).where(entered.c.id == camera.id)
        row = connection.execute(statement).mappings().one()
        gone_back = file.modified_at < not_before(connection, row, now)
    return None if gone_back else min(file.modified_at, now)


def _says_when(content: bytes, kind: str) -> bool:
    """Whether a picture has a record of when it was taken."""
    if kind == "image/heic":
        # Phones write these, with their moment; only the library's reader opens them.
        return True
    try:
        with Image.open(BytesIO(content)) as image:
            doubt = read_exif(image.getexif(), image.size).time_doubt
    except EXIF_ERRORS:
        return False
    return doubt is not Doubt.CAPTURE_TIME_UNKNOWN


def _seen(service: Service, camera: Camera) -> set[Mark]:
    statement = sa.select(SEEN_FILE.c.name, SEEN_FILE.c.size_bytes, SEEN_FILE.c.modified_at).where(
        SEEN_FILE.c.camera_id == camera.id
    )
    with service.database.read() as connection:
        rows = connection.execute(statement)
        return {(row.name, row.size_bytes, row.modified_at) for row in rows}


def _enter_mark(service: Service, camera: Camera, mark: Mark) -> None:
    name, size_bytes, modified_at = mark
    row = {"name": name, "size_bytes": size_bytes, "modified_at": modified_at}
    with service.database.write() as connection:
        connection.execute(sa.insert(SEEN_FILE).values(camera_id=camera.id, **row))
