"""Your data: taken along, backed up, and what a rule would let go."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from shlex import quote
from typing import Final

import sqlalchemy as sa
from fastapi import APIRouter, Request
from starlette.responses import Response

from service.archives.backup_folder import backup_files, backup_now
from service.context import Service
from service.pages import addresses
from service.pages.forms.forms import TypedForm, answered
from service.pages.frame import show
from service.pages.notices import done
from service.pages.set_up.fields import NOTHING_SAID, Said, shown_again
from service.photos.bulk_measuring import photos_to_measure
from service.photos.retention import retention_plan
from service.photos.retention_log import kept_count
from service.photos.retention_rule import RetentionPlan, rule_in_words
from service.route_arguments import TheService
from service.settings import KeepPhotos

router = APIRouter(include_in_schema=False)

_MB: Final = 1_000_000
_OLDEST_SHOWN: Final = 5


@dataclass(frozen=True)
class BackupRow:
    """A backup that is there."""

    name: str
    written_at: datetime
    size: str


@dataclass(frozen=True)
class DataPage:
    """Backups, and what becomes of the originals of photos.

    Parameters
    ----------
    brought_back : str
        The last backup's file on the machine, as a shell takes it.
    outdated : int
        Photos whose originals are kept and that another version of the program measured.
    folder : str
        The room's folder, as a shell takes it.
    """

    backups: tuple[BackupRow, ...]
    backups_kept: int
    brought_back: str
    on_postgresql: bool
    rule: str
    keeps_all: bool
    kept: int
    to_go: int
    size_to_go: str
    oldest: tuple[datetime, ...]
    outdated: int
    folder: str
    broken: Mapping[str, str]


@router.get(addresses.SET_UP_DATA)
def data_page(service: TheService, request: Request) -> Response:
    """Export, backups, and the rule of retention."""
    return _show(service, request, NOTHING_SAID)


@router.post(f"{addresses.SET_UP_DATA}/backup")
def post_backup(service: TheService, request: Request, typed: TypedForm) -> Response:
    """Writes a backup now; answers once it was read again."""

    def act() -> Response:
        backup = backup_now(service)
        said = f"{backup.path.name} is written and was read again, {_size(backup.size_bytes)}."
        missing = len(backup.missing_originals)
        if missing:
            said += f" {missing} originals of photos were not on the disk and are not in it."
        return done(addresses.SET_UP_DATA, said)

    def shown(_connection: sa.Connection, said: Said) -> Response:
        return _show(service, request, said)

    return answered(typed, act, shown_again(service, "backup", shown))


def _plan(service: Service) -> RetentionPlan:
    """What the rule does; where it keeps all, no photo need be looked at."""
    if service.settings.keep_photos is not KeepPhotos.ALL:
        return retention_plan(service)
    with service.database.read() as connection:
        kept = kept_count(connection)
    return RetentionPlan(rule_in_words(service.settings), kept, ())


def _show(service: Service, request: Request, said: Said) -> Response:
    plan = _plan(service)
    files = backup_files(service)
    with service.database.read() as connection:
        outdated = len(photos_to_measure(connection))
    page = DataPage(
        tuple(_row(path) for path in files),
        service.settings.backups_kept,
        quote(str(files[0].resolve())) if files else "BACKUP.zip",
        service.settings.database_url is not None,
        plan.rule,
        service.settings.keep_photos is KeepPhotos.ALL,
        plan.kept,
        len(plan.to_go),
        _size(plan.size_bytes),
        tuple(one.taken_at for one in plan.to_go[:_OLDEST_SHOWN]),
        outdated,
        quote(str(service.settings.data.resolve())),
        said.broken,
    )
    with service.database.read() as connection:
        return show(request, connection, "set_up/own_data.html", page, here=addresses.MORE)


def _row(path: Path) -> BackupRow:
    stamp = path.name.split("-")[1].split(".")[0]
    written_at = datetime.strptime(stamp, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    return BackupRow(path.name, written_at, _size(path.stat().st_size))


def _size(size_bytes: int) -> str:
    if size_bytes < _MB:
        return f"{max(size_bytes // 1000, 1)} kB"
    return f"{size_bytes / _MB:.1f} MB"
