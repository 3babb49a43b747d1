"""The application: made from explicit settings, nothing at import time."""

from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from datetime import datetime
from importlib.metadata import version
from typing import Any

from fastapi import FastAPI
from fastapi.concurrency import run_in_threadpool

from service.accounts.gate import Gate
from service.accounts.passwords import Passwords
from service.accounts.security_headers import SecurityHeaders
from service.accounts.upload_limit import UploadLimit
from service.answering import CountsAnswers
from service.api import (
    accounts,
    cameras,
    flags,
    notifications,
    own_data,
    photos,
    room,
    runs,
    things,
    trays,
)
from service.archives.staged_log import LOG_SQLITE
from service.cameras.camera_rounds import CameraRounds
from service.context import Service, Watcher, utc_now
from service.flags.attention_watch import AttentionWatch
from service.growth.curve_warming import CurveWarmer
from service.log.database import Database
from service.log.out_of_reach import out_of_reach_told
from service.log.private_files import OWN_FILE, own_folder
from service.messages.notifications import Notifier
from service.pages.prepared import prepare
from service.pages.routers import ROUTERS as PAGES
from service.photos.inspector import Inspector, PoolInspector
from service.photos.object_store import photo_store
from service.photos.remeasuring import Remeasurer
from service.photos.retention import DailyRetention
from service.problems import PROBLEM_JSON, handle_problems
from service.room.room_log import set_up_room
from service.settings import Settings

_ROUTERS = (
    accounts.router,
    room.router,
    photos.router,
    trays.router,
    runs.router,
    flags.router,
    own_data.router,
    flags.verdicts_router,
    *things.ROUTERS,
    *cameras.ROUTERS,
    *notifications.ROUTERS,
    *PAGES,
)


def create_app(
    settings: Settings,
    *,
    inspector: Inspector | None = None,
    clock: Callable[[], datetime] = utc_now,
    watchers: Sequence[Watcher] = (),
) -> FastAPI:
    """The service over one room's log.

    Parameters
    ----------
    settings : Settings
    inspector : Inspector, optional
        What measures photos; default a pool of processes that runs the library.
    clock : callable
        Aware present moment.
    watchers : sequence of callable
        See `service.context.Service`.

    Returns
    -------
    FastAPI
        Its `state.service` is the `Service`; the log is migrated and the room set up already.
        What works in the background starts and stops with the application's lifespan.
    """
    service = open_service(settings, inspector=inspector, clock=clock, watchers=watchers)

    remeasurer = Remeasurer(service)
    attention = AttentionWatch(
        service, every_minutes=settings.attention_minutes, afterwards=prepare
    )
    service.watchers.append(attention)
    cameras_asked = CameraRounds(service)
    notifier = Notifier(service)
    warmer = CurveWarmer(service)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        # What brings photos in stops first, what measures them last; the others need the curves
        # that the first one brings.
        workers = (warmer, remeasurer, attention, DailyRetention(service), notifier, cameras_asked)
        for worker in workers:
            worker.start()
        if isinstance(service.inspector, PoolInspector):
            service.inspector.warm()
        yield
        for worker in reversed(workers):
            await run_in_threadpool(worker.close)
        close_service(service)

    app = _Application(
        title="Trayvision",
        version=version("trayvision"),
        lifespan=lifespan,
        # Their pages load scripts from elsewhere; /openapi.json says the same.
        docs_url=None,
        redoc_url=None,
    )
    app.state.service = service
    app.state.passwords = Passwords()
    app.state.remeasurer = remeasurer
    app.state.cameras = cameras_asked
    app.state.notifier = notifier
    app.state.attention = attention
    app.state.curves = warmer
    _guard(app, service)
    _answer(app)
    return app


def _answer(app: FastAPI) -> None:
    """What answers requests: the routes themselves, shared by all applications.

    Included routers would work theirs out anew for each application, which takes the first request
    to it a tenth of a second.
    """
    for router in _ROUTERS:
        app.router.routes.extend(router.routes)


def _guard(app: FastAPI, service: Service) -> None:
    """What every request passes, the last one added first."""
    handle_problems(app)
    app.add_middleware(
        UploadLimit,
        max_photo_bytes=service.settings.max_photo_bytes,
        max_photos=service.settings.max_photos,
    )
    # Nothing of a request is read before it is let in.
    app.add_middleware(Gate, service=service)
    app.add_middleware(SecurityHeaders)
    app.add_middleware(CountsAnswers, answering=service.answering)


def open_service(
    settings: Settings,
    *,
    inspector: Inspector | None = None,
    clock: Callable[[], datetime] = utc_now,
    watchers: Sequence[Watcher] = (),
) -> Service:
    """Open the log, bring its schema up to date and set the room up; for jobs without paths.

    Raises
    ------
    ValueError
        If the log cannot be read or written.
    """
    with out_of_reach_told(settings.data):
        own_folder(settings.data)
        if settings.database_url is None:
            # SQLite gives what it keeps beside the log the same rights.
            (settings.data / LOG_SQLITE).touch(OWN_FILE)
        database = Database(settings.sqlalchemy_url())
        database.check()
        database.migrate()
    if inspector is None:
        inspector = PoolInspector(
            processes=settings.inspectors,
            waiting=settings.waiting_photos,
            seconds=settings.inspection_seconds,
        )
    service = Service(
        settings,
        database,
        photo_store(settings),
        inspector,
        clock,
        list(watchers),
    )
    with out_of_reach_told(settings.data), database.write() as connection:
        set_up_room(connection, settings, service.entrant())
    return service


def close_service(service: Service) -> None:
    """Stop measuring and give the database back."""
    service.inspector.close()
    service.database.close()


class _Application(FastAPI):
    def openapi(self) -> dict[str, Any]:
        """The description, with problems under the media type that they have."""
        description = super().openapi()
        for path in description["paths"].values():
            for operation in path.values():
                for status, response in operation["responses"].items():
                    content = response.get("content", {})
                    if status in ("4XX", "5XX") and "application/json" in content:
                        content[PROBLEM_JSON] = content.pop("application/json")
        return description
