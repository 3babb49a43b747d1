"""Reasons that lie in a fixed camera: silent, dark, fogged, blurred, moved, or beside its trays."""

from collections.abc import Sequence
from typing import Final

from trayvision.attention.flags import Flag, FlagKind, flag_key, moment_words, trays_words
from trayvision.attention.state import CameraState, Level, RoomState
from trayvision.quality_flags import Doubt

_DARK_DOUBTS: Final = {Doubt.DIM: "dark", Doubt.FOGGED: "fogged", Doubt.BLURRED: "blurred"}
_BESIDE: Final = "beside its trays"
_ALL: Final = "all"
_ONE: Final = "one"


def camera_flags(room: RoomState) -> list[Flag]:
    """One flag a camera; one for all where several and all are silent."""
    silent = [camera for camera in room.cameras if _silent(room, camera)]
    if len(silent) > 1 and len(silent) == len(room.cameras):
        return [_camera_flag(room, silent, "silent")]
    flags = []
    for camera in room.cameras:
        state = _camera_state(room, camera)
        if state is not None:
            flags.append(_camera_flag(room, [camera], state))
    return flags


def _silent(room: RoomState, camera: CameraState) -> bool:
    last = camera.last_photo_at
    return last is None or room.now - last > camera.silent_after


def _camera_state(room: RoomState, camera: CameraState) -> str | None:
    if _silent(room, camera):
        return "silent"
    seen = [word for doubt, word in _DARK_DOUBTS.items() if doubt in camera.doubts]
    if seen:
        return seen[0]
    if camera.moved:
        return "moved"
    return _BESIDE if _lost_trays(room, camera) else None


def _lost_trays(room: RoomState, camera: CameraState) -> list[int]:
    """Trays that still grow where the camera no longer sees them.

    Over a shelf that was emptied, or is not filled yet, it is no fault to see nothing.
    """
    return sorted(
        run.tray
        for run in room.runs
        if run.tray in camera.lost_trays
        and camera.lost_at is not None
        and (run.in_tray_from or run.spread_at) <= camera.lost_at
        and camera.shelf in (None, room.shelf_of(run))
    )


_CAMERA_ADVICE: Final = {
    "silent": "Look at its power, its cable and its card.",
    "dark": "Is the light on, is something before the lens?",
    "fogged": "Wipe the lens, wait two minutes; keep it a little warmer than the air.",
    "blurred": "Wipe the lens and look whether it sits firm.",
    "moved": "Turn it back to its trays, or leave it and take one photo by hand to compare.",
    _BESIDE: "Is it still turned to its shelf, is anything before it, are the tags hidden?",
}


def _key(name: str | None, state: str) -> str:
    """Key of a camera's flag, of all cameras' for None: no camera's name can be that of all."""
    if name is None:
        return flag_key(FlagKind.CAMERA, _ALL, state)
    alike = name == _ALL or name.startswith(f"{_ONE}/")
    return flag_key(FlagKind.CAMERA, *([_ONE] if alike else []), name, state)


def _camera_flag(room: RoomState, cameras: Sequence[CameraState], state: str) -> Flag:
    moments = [camera.last_photo_at for camera in cameras if camera.last_photo_at is not None]
    since = min(moments, default=room.now)
    shelves = {camera.shelf for camera in cameras if camera.shelf}
    trays = {run.tray for run in room.runs if room.shelf_of(run) in shelves}
    all_of_them = len(cameras) > 1
    name = "All cameras" if all_of_them else f"Camera {cameras[0].name}"
    verb = "are" if all_of_them else "is"
    last = f"last photo {moment_words(room, since)}" if moments else "no photo so far"
    what = f"{verb} {state}"
    if state == _BESIDE:
        lost = _lost_trays(room, cameras[0])
        trays |= set(lost)
        it = "it" if len(lost) == 1 else "they"
        what = f"no longer shows {trays_words(lost)} so that {it} can be read"
    return Flag(
        key=_key(None if all_of_them else cameras[0].name, state),
        kind=FlagKind.CAMERA,
        level=Level.LOOK,
        trays=tuple(sorted(trays)),
        since=since,
        latest_at=room.now if state == "silent" else max(moments, default=room.now),
        reason=f"{name} {what}, {last}.",
        look_at=_CAMERA_ADVICE[state],
        strength=float(len(cameras)),
    )
