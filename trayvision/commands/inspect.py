"""``trayvision inspect``: photos in; a table or JSON, overlays and masks out."""

import argparse
import json
import os
import sys
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from tqdm import tqdm

from trayvision.camera.camera import Camera
from trayvision.inspection.table import print_table
from trayvision.quality_flags import PhotoProblem
from trayvision.reference_kit import TraySize

ALL_MEASURED = 0
SOME_NOT_MEASURED = 3
PHOTO_SUFFIXES = {".jpg", ".jpeg", ".png", ".webp", ".heic", ".heif", ".tif", ".tiff"}

Record = dict[str, Any]


@dataclass(frozen=True)
class Job:
    """How one photo is to be inspected, and where its pictures go."""

    photo: Path
    tray_size: TraySize | None
    camera: Camera | None
    day: float | None
    spread_at: datetime | None
    whole_photo: bool
    overlay: Path | None
    masks: Path | None


def run_inspect(options: argparse.Namespace) -> int:
    """Inspect the photos that the command line names; returns the exit status.

    Raises
    ------
    ValueError
        If an option is out of range or a file it names cannot be used.
    """
    jobs = _jobs(options)
    if options.jobs is not None and options.jobs < 1:
        raise ValueError(f"--jobs must be at least 1, got {options.jobs}")
    workers = min(options.jobs or os.cpu_count() or 1, len(jobs))
    progress = tqdm(
        _inspected(jobs, workers), total=len(jobs), unit="photo", disable=None, leave=False
    )
    records = []
    for record in progress:
        for problem in _problems(record):
            progress.write(f"{record['file']}: {problem}", file=sys.stderr)
        records.append(record)
    if options.json:
        json.dump({"photos": records}, sys.stdout, ensure_ascii=False)
        print()
    else:
        print_table(records)
    measured = all(record["trays"] and not record["not_measured"] for record in records)
    return ALL_MEASURED if measured else SOME_NOT_MEASURED


def _jobs(options: argparse.Namespace) -> list[Job]:
    if options.day is not None and not 0 <= options.day <= 60:
        raise ValueError(f"--day must be from 0 to 60 days since spreading, got {options.day:g}")
    template = Job(
        photo=Path(),
        tray_size=None if options.tray_size is None else TraySize.typed(options.tray_size),
        camera=None if options.camera is None else Camera.from_json(_text(Path(options.camera))),
        day=options.day,
        spread_at=None if options.spread_at is None else _moment(options.spread_at),
        whole_photo=options.whole_photo,
        overlay=_folder(options.overlay),
        masks=_folder(options.masks),
    )
    photos = [photo for name in options.photos for photo in _photos(Path(name))]
    stems: dict[str, Path] = {}
    for photo in photos:
        twin = stems.setdefault(photo.stem, photo)
        if twin != photo and (template.overlay or template.masks):
            raise ValueError(f"{twin} and {photo} would write the same picture; rename one")
    return [replace(template, photo=photo) for photo in photos]


def _photos(path: Path) -> list[Path]:
    if not path.is_dir():
        return [path]
    found = sorted(
        entry
        for entry in path.iterdir()
        # A mask written beside its photo is no photo.
        if entry.suffix.lower() in PHOTO_SUFFIXES and not entry.name.endswith("classes.png")
    )
    if not found:
        raise ValueError(f"folder must hold photos, found none in {path}")
    return found


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ValueError(f"--camera must be a readable file, but {path}: {error}") from error


def _moment(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(
            f"--spread-at must be an ISO 8601 time such as 2026-03-02T08:00+01:00, got {text!r}"
        ) from None
    if moment.tzinfo is None:
        moment = moment.astimezone()
    return moment


def _folder(name: str | None) -> Path | None:
    if name is None:
        return None
    folder = Path(name)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ValueError(f"must be a folder that can be written, but {name}: {error}") from error
    return folder


def _problems(record: Record) -> list[str]:
    if record["not_measured"]:
        return [problem["problem"] for problem in record["not_measured"]]
    return [record["problem"]] if record["problem"] else []


def _inspected(jobs: list[Job], workers: int) -> Iterator[Record]:
    """Records of the jobs, in order, whatever becomes of single ones."""
    if workers == 1:
        yield from map(inspect_one, jobs)
        return
    pool = ProcessPoolExecutor(workers, initializer=_one_thread)
    futures: list[Future[Record]] = [pool.submit(inspect_one, job) for job in jobs]
    try:
        for job, future in zip(jobs, futures, strict=True):
            try:
                yield future.result()
            except BrokenProcessPool:
                # A decoder that crashed took its worker and all waiting photos with it: the
                # rest are measured one to a process, so that only the culprit is lost.
                yield _alone(job)
    finally:
        pool.shutdown(cancel_futures=True)


def _alone(job: Job) -> Record:
    from trayvision.inspection.record import problem_record

    with ProcessPoolExecutor(1, initializer=_one_thread) as pool:
        try:
            return pool.submit(inspect_one, job).result()
        except BrokenProcessPool:
            problem = PhotoProblem(
                f"{job.photo}: a photo must be readable, but reading it ended the reader"
            )
            return problem_record(str(job.photo), problem)


def _one_thread() -> None:
    import cv2

    cv2.setNumThreads(1)


def inspect_one(job: Job) -> Record:
    """Inspect one photo and write its pictures; a photo's own failure is in the record."""
    from trayvision.inspection.record import photo_record, problem_record

    try:
        inspection = _inspect(job)
        if job.masks is not None:
            _write_mask(inspection, job.masks / f"{job.photo.stem}.classes.png")
        if job.overlay is not None:
            _write_overlay(inspection, job.overlay / f"{job.photo.stem}.overlay.jpg")
        return photo_record(inspection)
    except PhotoProblem as problem:
        return problem_record(str(job.photo), problem)


def _inspect(job: Job) -> Any:
    from trayvision.inspection.inspection import inspect_photo
    from trayvision.photo.photo import load_photo
    from trayvision.room_settings import RoomSettings, room_of

    photo = load_photo(job.photo)
    if job.camera is not None:
        try:
            job.camera.scaled_to(photo.width, photo.height)
        except ValueError as error:
            raise PhotoProblem(f"{job.photo}: {error}") from error
    room = RoomSettings(job.tray_size) if job.tray_size is not None else room_of(job.photo)
    if job.spread_at is not None:
        room = replace(room, spread_at=job.spread_at, spread_times={})
    return inspect_photo(
        photo, tray_size=room, camera=job.camera, day=job.day, whole_photo=job.whole_photo
    )


def _write_mask(inspection: Any, path: Path) -> None:
    from PIL import Image

    from trayvision.inspection.class_mask import class_mask

    Image.fromarray(class_mask(inspection)).save(path)


def _write_overlay(inspection: Any, path: Path) -> None:
    from PIL import Image

    from trayvision.overlay.overlay import draw_overlay

    Image.fromarray(draw_overlay(inspection)).save(path, quality=90)
