"""The folder of backups that are made through the API."""

import re
from pathlib import Path

from service.archives.backup import Backup, write_backup
from service.context import Service
from service.log.file_lock import only_one
from service.log.private_files import own_folder
from service.log.refusals import NotFound

_NAME = re.compile(r"trayvision-\d{8}T\d{6}Z(-\d{1,4})?\.zip")


def backup_now(service: Service) -> Backup:
    """Write a backup beside the others, and let the oldest go that are more than are kept.

    Raises
    ------
    Conflict
        If one is being written already.
    Refusal
        If it could not be read again.
    """
    folder = _folder(service)
    own_folder(folder)
    with only_one(folder, "backup"):
        stem = f"trayvision-{service.clock():%Y%m%dT%H%M%SZ}"
        names = [f"{stem}.zip", *(f"{stem}-{number}.zip" for number in range(2, 10_000))]
        path = next(folder / name for name in names if not (folder / name).exists())
        written = write_backup(service, path)
        # Only once the new one was read again.
        for old in backup_files(service)[service.settings.backups_kept :]:
            if old != path:
                old.unlink()
    return written


def backup_files(service: Service) -> list[Path]:
    """The backups that are there, the last one first."""
    there = [path for path in _folder(service).glob("*.zip") if _NAME.fullmatch(path.name)]
    return sorted(there, key=_order, reverse=True)


def backup_file(service: Service, name: str) -> Path:
    """One of them. Raises NotFound."""
    found = next((path for path in backup_files(service) if path.name == name), None)
    if found is None:
        raise NotFound("backup", name)
    return found


def _folder(service: Service) -> Path:
    return service.settings.backups or service.settings.data / "backups"


def _order(path: Path) -> tuple[str, int]:
    _, stamp, *number = path.stem.split("-")
    return stamp, int(number[0]) if number else 1
