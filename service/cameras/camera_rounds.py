"""Asks all fixed cameras for their photos as they fall due, several at a time."""

import logging
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from service.background import Rounds
from service.cameras.camera_folder import WatchedFolder
from service.cameras.camera_shots import active_cameras, due_shot, log_failure, shots_of, take_shot
from service.cameras.camera_things import CAMERAS, is_asked, schedule_of, source_of
from service.context import Service
from service.log.refusals import Busy, Refusal
from service.models.cameras import Camera, CameraKind
from service.room.room_log import Row, the_room

_LOG = logging.getLogger(__name__)
# More tries than one shot can have, so that all of the present shot's are seen.
_LAST_TRIES = 40


@dataclass(frozen=True)
class _Task:
    camera: Camera
    planned_at: datetime | None


class CameraRounds:
    """Asks cameras by their schedules and looks into watched folders.

    What is due follows from the log alone: a service that was stopped goes on where it was, and
    takes no photo late that was planned for a time long gone.

    Parameters
    ----------
    service : Service
    """

    def __init__(self, service: Service) -> None:
        self._service = service
        self._rounds = Rounds("cameras", service.settings.round_seconds, self.look)
        self._folders: dict[tuple[int, str], WatchedFolder] = {}
        self._lock = threading.Lock()
        self._busy: dict[int, Future[object]] = {}
        self._pool = ThreadPoolExecutor(
            service.settings.cameras_at_once, thread_name_prefix="camera"
        )

    def start(self) -> None:
        """Begin."""
        self._rounds.start()

    def close(self) -> None:
        """Stop; a camera that is being asked is waited for, within its limit."""
        self._rounds.close()
        self._pool.shutdown(wait=True, cancel_futures=True)

    def look(self) -> None:
        """One round: begin what is due now, and come back without waiting for it."""
        for task in self._due():
            self._begin(task.camera, self._work(task))

    def finish(self) -> None:
        """Wait until no camera is being asked."""
        with self._lock:
            running = list(self._busy.values())
        wait(running)

    def try_now(self, camera_id: int) -> Row:
        """Ask one camera at once, whatever its schedule says.

        Raises
        ------
        NotFound
            If there is no such camera.
        Refusal
            If it is of a kind that is not asked.
        Busy
            If it is being asked already.
        """
        with self._service.database.read() as connection:
            camera = CAMERAS.get(connection, camera_id)
            assert isinstance(camera, Camera)
            source = source_of(connection, camera, self._service.settings)
        future = self._begin(camera, lambda: take_shot(self._service, camera, source))
        if future is None:
            raise Busy("camera", f"{camera.name} is being asked already")
        row = future.result()
        assert row is not None
        return row  # type: ignore[return-value]

    def _due(self) -> Sequence[_Task]:
        service = self._service
        with service.database.read() as connection:
            now = service.clock()
            zone = ZoneInfo(the_room(connection).time_zone)
            tasks = []
            for camera in active_cameras(connection):
                if camera.kind is CameraKind.FOLDER:
                    tasks.append(_Task(camera, None))
                elif is_asked(camera):
                    tries = shots_of(connection, camera.id, limit=_LAST_TRIES, planned=True)
                    schedule = schedule_of(camera, zone)
                    shot = due_shot(schedule, tries, now=now, seed=[camera.id])
                    # A camera that was just entered was not asked for what was due before.
                    if shot is not None and shot >= camera.first_entered_at:
                        tasks.append(_Task(camera, shot))
            return tasks

    def _work(self, task: _Task) -> Callable[[], object]:
        service, camera = self._service, task.camera
        if camera.kind is CameraKind.FOLDER:
            folder = self._folders.setdefault(
                (camera.id, camera.address or ""), WatchedFolder(Path(camera.address or ""))
            )
            return lambda: folder.look(service, camera)

        def ask() -> object:
            with service.database.read() as connection:
                source = source_of(connection, camera, service.settings)
            try:
                return take_shot(service, camera, source, planned_at=task.planned_at)
            except Exception as error:
                # Else it would be asked again at once, and never be silent.
                why = f"the program failed ({type(error).__name__})"
                log_failure(service, camera, why, planned_at=task.planned_at)
                raise

        return ask

    def _begin(self, camera: Camera, work: Callable[[], object]) -> Future[object] | None:
        """Start work on a camera unless it is being asked; None where it is."""
        with self._lock:
            if camera.id in self._busy:
                return None
            future = self._pool.submit(work)
            self._busy[camera.id] = future
        future.add_done_callback(lambda done: self._done(camera, done))
        return future

    def _done(self, camera: Camera, future: Future[object]) -> None:
        with self._lock:
            self._busy.pop(camera.id, None)
        if future.cancelled():
            return
        error = future.exception()
        if error is not None and not isinstance(error, Refusal):
            _LOG.error("asking camera %s failed", camera.name, exc_info=error)
