"""Commands for the grower's own data: export, import, backup, restore, retain, remeasure.

All but ``restore`` and ``import --replace`` work while the service runs on the same data, and
without it. Their exit status is 0 when all was done, 3 when originals were missing that the log
says are kept or photos were not measured again; what is refused is raised as ``ValueError``, which
names what and the rule.
"""

import argparse
import os
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from service.context import Service
    from service.settings import Settings

INCOMPLETE = 3

Run = Callable[[argparse.Namespace], int]


def _told(run: Run) -> Run:
    """What is refused, as the command tells it."""

    @wraps(run)
    def told(options: argparse.Namespace) -> int:
        from service.log.full_disk import full_disk_refused
        from service.log.refusals import Refusal

        try:
            with full_disk_refused():
                return run(options)
        except Refusal as refusal:
            raise ValueError(str(refusal)) from refusal
        except OSError as error:
            what = error.filename or "a file"
            raise ValueError(f"{what} cannot be read or written: {error.strerror}") from error

    return told


def add_export(parser: argparse.ArgumentParser) -> None:
    """Give the options of ``export`` to its parser."""
    _add_data(parser)
    parser.add_argument("out", metavar="EXPORT.zip", help="a new file")
    parser.add_argument("--photos", action="store_true", help="originals of photos too")
    parser.add_argument("--parquet", action="store_true", help="Parquet files too; needs pyarrow")


def add_import(parser: argparse.ArgumentParser) -> None:
    """Give the options of ``import`` to its parser."""
    _add_data(parser)
    parser.add_argument("archive", metavar="EXPORT.zip", help="an export or a backup")
    parser.add_argument(
        "--replace",
        action="store_true",
        help="put it in the place of what the room holds, which is backed up first; stop serve "
        "before",
    )
    parser.add_argument(
        "--from",
        dest="form",
        choices=("json", "csv"),
        default="json",
        help="which of its two forms to read; default json",
    )


def add_backup(parser: argparse.ArgumentParser) -> None:
    """Give the options of ``backup`` to its parser."""
    _add_data(parser)
    parser.add_argument("out", metavar="BACKUP.zip", help="a new file, best on another disk")


def add_restore(parser: argparse.ArgumentParser) -> None:
    """Give the options of ``restore`` to its parser."""
    _add_data(parser)
    parser.add_argument("archive", metavar="BACKUP.zip", help="written by backup")


def add_retain(parser: argparse.ArgumentParser) -> None:
    """Give the options of ``retain`` to its parser."""
    _add_data(parser)
    parser.add_argument(
        "--dry-run", action="store_true", help="only say what would go, and how many bytes"
    )


def add_remeasure(parser: argparse.ArgumentParser) -> None:
    """Give the options of ``remeasure`` to its parser."""
    _add_data(parser)
    parser.add_argument(
        "--all", action="store_true", help="photos too that this version has measured already"
    )
    parser.add_argument(
        "--since", metavar="ISO-TIME", help="only photos taken from then on; UTC without an offset"
    )
    parser.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="of a Dask cluster whose workers have this version too, such as "
        "tcp://192.168.1.20:8786; default this machine",
    )
    parser.add_argument("--dry-run", action="store_true", help="only say how many there are")


def _add_data(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--data", metavar="DIR", help="folder of the log and its photos")


@_told
def run_export(options: argparse.Namespace) -> int:
    """Write all data of the room into one zip file; returns the exit status."""
    from service.archives.export import export_log
    from service.log.private_files import own_file

    out = _new_file(options.out)
    aside = out.with_name(f".{out.name}.part")
    with _opened(options) as service:
        try:
            with own_file(aside) as file:
                for chunk in export_log(service, photos=options.photos, parquet=options.parquet):
                    file.write(chunk)
                file.flush()
                os.fsync(file.fileno())
            aside.replace(out)
        finally:
            aside.unlink(missing_ok=True)
    print(f"{out}: {out.stat().st_size} bytes")
    return _missing(_manifest_missing(out))


@_told
def run_import(options: argparse.Namespace) -> int:
    """Read an export or backup into a room; returns the exit status."""
    from service.archives.backup_folder import backup_now
    from service.archives.log_import import import_archive
    from service.archives.written_tables import Form
    from service.log.server_lock import not_served

    with _opened(options, new=True) as service, ExitStack() as places:
        if options.replace:
            places.enter_context(not_served(service.settings))
            print(f"What the room held: {backup_now(service).path}")
        came = import_archive(
            service, Path(options.archive), replace=options.replace, form=Form(options.form)
        )
    print(f"{sum(came.rows.values())} rows and {came.photos} new originals came in")
    if came.without_original:
        print(f"{came.without_original} photos came without their originals; their records did")
    return 0


@_told
def run_backup(options: argparse.Namespace) -> int:
    """Write the whole room into one file; returns the exit status."""
    from service.archives.backup import write_backup

    with _opened(options) as service:
        written = write_backup(service, _new_file(options.out))
    rows = sum(written.rows.values())
    print(f"{written.path}: {rows} rows, {written.photos} originals, {written.size_bytes} bytes")
    return _missing(written.missing_originals)


@_told
def run_restore(options: argparse.Namespace) -> int:
    """Make a room from a backup; returns the exit status."""
    from service.archives.backup import restore

    restored = restore(_settings(options), Path(options.archive))
    rows = sum(restored.rows.values())
    print(f"{restored.path}: {rows} rows, {restored.photos} originals of {restored.written_at}")
    return _missing(restored.missing_originals)


@_told
def run_retain(options: argparse.Namespace) -> int:
    """Let originals go that the rule does not keep; returns the exit status."""
    from service.photos.retention import STRAY_AFTER, retain, retention_plan, stray_originals

    with _opened(options) as service:
        plan = retention_plan(service) if options.dry_run else retain(service)
        strays = stray_originals(service)
    print(f"Rule: {plan.rule}")
    for one in plan.to_go:
        trays = ", ".join(str(tray) for tray in sorted(one.trays)) or "none known"
        taken = f"{one.taken_at:%Y-%m-%d %H:%M} UTC"
        print(f"photo {one.photo_id}, taken {taken}, tray {trays}: {one.size_bytes} bytes")
    word = "would go" if options.dry_run else "let go"
    print(f"{len(plan.to_go)} originals {word}, {plan.size_bytes} bytes; {plan.kept} stay")
    if strays:
        total = sum(one.size_bytes for one in strays)
        print(
            f"Files older than {STRAY_AFTER.days} days that belong to no photo of the log: "
            f"{len(strays)}, {total} bytes; they stay until somebody deletes them"
        )
    for stray in strays:
        print(f"{stray.place}, there since {stray.kept_at:%Y-%m-%d %H:%M} UTC")
    return 0


@_told
def run_remeasure(options: argparse.Namespace) -> int:
    """Measure kept photos again, newest first; returns the exit status."""
    from tqdm import tqdm

    from service.photos.bulk_measuring import measure_many, photos_to_measure
    from service.photos.measuring_places import places_here, places_of_cluster
    from trayvision.kit.guide import number_ranges

    since = None if options.since is None else _moment("--since", options.since)
    with _opened(options) as service:
        with service.database.read() as connection:
            photos = photos_to_measure(connection, all_versions=options.all, since=since)
        for name, count in sorted(Counter(photos.values()).items()):
            print(f"measured by version {name}: {_photos(count)}")
        if options.dry_run or not photos:
            print(f"to measure again: {_photos(len(photos))}")
            return 0
        where = places_of_cluster(options.scheduler) if options.scheduler else places_here(service)
        with where as places, tqdm(total=len(photos), unit="photo", disable=None) as bar:
            done = measure_many(service, tuple(photos), places, told=bar.update)
    for problem in sorted(set(done.failed.values())):
        kept = [photo_id for photo_id, why in done.failed.items() if why == problem]
        print(f"photos that keep what was measured before: {number_ranges(kept)}: {problem}")
    print(f"measured again: {_photos(done.entered)}; what was measured before stays in the log")
    return INCOMPLETE if done.failed else 0


def _photos(count: int) -> str:
    return "1 photo" if count == 1 else f"{count} photos"


def _moment(option: str, text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise ValueError(
            f"{option} must be a time such as 2026-03-02T08:00+01:00, got {text!r}"
        ) from error
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)


def _settings(options: argparse.Namespace) -> "Settings":
    from service.serve_command import settings_from

    return settings_from(argparse.Namespace(data=options.data, host=None, port=None))


@contextmanager
def _opened(options: argparse.Namespace, *, new: bool = False) -> Iterator["Service"]:
    """The room, which only an import begins: a mistyped folder must not pass for an empty room."""
    from service.app import close_service, open_service
    from service.log.log_tables import holds_log

    settings = _settings(options)
    if not new and not holds_log(settings):
        raise ValueError(f"data must be where a room has its log, but {settings.data} has none")
    service = open_service(settings)
    try:
        yield service
    finally:
        close_service(service)


def _new_file(name: str) -> Path:
    path = Path(name)
    if path.exists():
        raise ValueError(f"{name} must be a new file, but is there already")
    path.parent.mkdir(parents=True, exist_ok=True)
    return path


def _manifest_missing(path: Path) -> list[str]:
    from service.archives.archive import ArchiveReader

    with ArchiveReader(path) as archive:
        return archive.manifest.missing_originals


def _missing(digests: list[str]) -> int:
    for digest in digests:
        print(f"missing on the disk: original {digest}")
    return INCOMPLETE if digests else 0
