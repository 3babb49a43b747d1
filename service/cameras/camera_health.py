"""How a fixed camera is, told from its tries and its schedule."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from service.cameras.camera_clock import clock_says
from service.cameras.camera_schedule import next_shots
from service.cameras.camera_shots import TRIED_FOR, active_cameras, shots_of
from service.cameras.camera_things import is_asked, schedule_of
from service.log.entries import history
from service.log.outside_schema import CAMERA_SHOT
from service.log.schema import CAMERA, CAPTURE
from service.models.cameras import (
    Camera,
    CameraHealth,
    CameraKind,
    CameraOptions,
    CamerasHealth,
    CameraShot,
    PoorPicture,
    ShotOutcome,
)
from service.room.room_log import Row, the_room

# One missed shot is a hiccup.
_SILENT_SHOTS = 2
# One picture like the one before may be a still room; a camera that hangs keeps at it.
_FROZEN_SHOTS = 2
_SHOWN = 20
_HOURS_WRONG = timedelta(days=2)
# So far back tries are counted; a camera that is in use is asked at least once a day.
_LOOKED_BACK = timedelta(days=30)
_LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)


def camera_health(
    connection: sa.Connection, camera: Camera, *, zone: ZoneInfo, now: datetime
) -> CameraHealth:
    """How one camera is at a moment."""
    rows = shots_of(connection, camera.id)
    good = [row for row in rows if row["outcome"] != ShotOutcome.FAILED]
    failed = [row for row in rows if row["outcome"] == ShotOutcome.FAILED]
    success = _last(connection, camera, good)
    poor = good[0]["poor"] if good else None
    schedule = schedule_of(camera, zone)
    ahead = next_shots(schedule, now) if is_asked(camera) and camera.active else []
    states = {
        "silent": camera.active and _silent(connection, camera, success, now=now),
        "frozen": _frozen(camera, good),
        "dark": poor == PoorPicture.DARK,
        "fogged": poor == PoorPicture.FOGGED,
        "blurred": poor == PoorPicture.BLURRED,
    }
    failures = _failures(rows)
    clock = clock_says(connection, camera.id)
    wrong = [name for name, is_so in states.items() if is_so]
    return CameraHealth(
        camera_id=camera.id,
        name=camera.name,
        ok=not wrong,
        last_success_at=success,
        last_error_at=failed[0]["tried_at"] if failed else None,
        last_error=failed[0]["error"] if failed else None,
        consecutive_failures=failures,
        next_shot_at=ahead[0] if ahead else None,
        clock_says_at=clock,
        sentence=_sentence(
            camera,
            wrong,
            failed[0]["error"] if failures else None,
            has_given=success is not None,
        )
        + ("" if clock is None else _clock_sentence(clock.astimezone(zone), now)),
        shots=[shot_out(row) for row in rows[:_SHOWN]],
        **states,
    )


def cameras_health(connection: sa.Connection, now: datetime) -> CamerasHealth:
    """How all active cameras are."""
    zone = ZoneInfo(the_room(connection).time_zone)
    cameras = active_cameras(connection)
    return CamerasHealth(
        cameras=[camera_health(connection, camera, zone=zone, now=now) for camera in cameras]
    )


def shot_out(row: Row) -> CameraShot:
    """One try as the service gives it out."""
    return CameraShot.model_validate({name: row[name] for name in CameraShot.model_fields})


def _failures(rows: Sequence[Row]) -> int:
    """Failures since the last photo."""
    outcomes = [row["outcome"] == ShotOutcome.FAILED for row in rows]
    return outcomes.index(False) if False in outcomes else len(outcomes)


def _last(connection: sa.Connection, camera: Camera, good: Sequence[Row]) -> datetime | None:
    """When the last photo of a camera came, of those that are sent as well."""
    last: list[datetime] = [row["tried_at"] for row in good[:1]]
    if not good:
        # Older than the tries that were looked at, or the camera sends its photos itself.
        asked = sa.select(sa.func.max(CAMERA_SHOT.c.tried_at)).where(
            CAMERA_SHOT.c.camera_id == camera.id, CAMERA_SHOT.c.outcome != ShotOutcome.FAILED
        )
        last += [found] if (found := connection.execute(asked).scalar()) is not None else []
    if camera.kind is CameraKind.SENDS:
        sent = sa.select(sa.func.max(CAPTURE.c.entered_at)).where(
            CAPTURE.c.camera_id == camera.id, CAPTURE.c.original_id.is_(None)
        )
        last += [found] if (found := connection.execute(sent).scalar()) is not None else []
    return max(last, default=None)


def _silent(
    connection: sa.Connection, camera: Camera, success: datetime | None, *, now: datetime
) -> bool:
    if is_asked(camera):
        return _missed(connection, camera, success, now) >= _SILENT_SHOTS
    if camera.kind is CameraKind.SENDS and camera.options is None:
        # A phone that sends now and then is no fixed camera.
        return False
    if now - (success or camera.first_entered_at) <= _patience(camera):
        return False
    # One that was out of use gave nothing meanwhile, and is not to blame for it.
    return now - _in_use_since(connection, camera) > _patience(camera)


def _missed(
    connection: sa.Connection, camera: Camera, success: datetime | None, now: datetime
) -> int:
    """Planned photos for which it was asked in vain since its last one.

    What it was never asked for, because the service stood still, the camera was out of use or its
    times were other ones then, says nothing of the camera.
    """
    missed = sa.select(sa.func.count(CAMERA_SHOT.c.planned_at.distinct())).where(
        CAMERA_SHOT.c.camera_id == camera.id,
        CAMERA_SHOT.c.outcome == ShotOutcome.FAILED,
        CAMERA_SHOT.c.tried_at > max(success or _LONG_AGO, now - _LOOKED_BACK),
        CAMERA_SHOT.c.planned_at <= now - TRIED_FOR,
    )
    return int(connection.execute(missed).scalar_one())


def _in_use_since(connection: sa.Connection, camera: Camera) -> datetime:
    since = camera.first_entered_at
    for before, after in pairwise(history(connection, CAMERA, camera.id)):
        if after["active"] and not (before["active"] and not before["withdrawn"]):
            since = after["entered_at"]
    return since


def _patience(camera: Camera) -> timedelta:
    return timedelta(hours=(camera.options or CameraOptions()).silent_after_hours)


def _frozen(camera: Camera, good: Sequence[Row]) -> bool:
    """The same bytes, asked for at different times; a folder's file that came twice is no sign."""
    last = good[:_FROZEN_SHOTS]
    same = [row["outcome"] == ShotOutcome.SAME for row in last]
    return is_asked(camera) and len(same) == _FROZEN_SHOTS and all(same)


def _sentence(camera: Camera, wrong: Sequence[str], error: str | None, *, has_given: bool) -> str:
    name = f"Camera {camera.name}"
    if not camera.active:
        return f"{name} is not in use."
    because = f" Last try: {closed(error)}" if error else ""
    if wrong:
        return f"{name} is {' and '.join(wrong)}.{because}"
    if error:
        return f"{name} gave no photo at its last try: {closed(error)}"
    return f"{name} gives photos." if has_given else f"{name} has given no photo yet."


def closed(words: str) -> str:
    """Words that end a sentence, with a full stop where they bring no end of their own."""
    return words if words.endswith((".", "?", "!")) else f"{words}."


def _clock_sentence(said: datetime, now: datetime) -> str:
    # A clock that is wrong by hours has the right day.
    hour = f", {said:%H:%M}" if abs(said - now) < _HOURS_WRONG else ""
    return (
        f" Its clock says {said.day} {said:%B} {said.year}{hour}, which cannot be: its photos "
        "count from when they come in. Set its clock."
    )
