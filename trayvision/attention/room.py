"""Reasons that lie in the room and not in a tray: what was not looked at."""

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from trayvision.attention.flags import Flag, FlagKind, flag_key, moment_words, trays_words
from trayvision.attention.state import Level, RoomState, RunState

_LATE_PHOTO: Final = 1.5


def no_photo_flags(room: RoomState, cameras: Sequence[Flag]) -> list[Flag]:
    """One flag for all trays without a photo that could be judged, less those behind a camera's
    own flag.
    """
    explained = {tray for flag in cameras for tray in flag.trays}
    late = []
    for run in room.runs:
        since = _last_usable(room, run)
        if run.tray not in explained and room.now - since > _LATE_PHOTO * room.photo_every:
            late.append((since, run))
    if not late:
        return []
    since = min(moment for moment, _ in late)
    trays = sorted(run.tray for _, run in late)
    unusable = any(run.until(room.now)[-1:] and _newer(room, run, m) for m, run in late)
    words = trays_words(trays)
    reason = (
        f"No photo that could be judged of {words}, since {moment_words(room, since)} or later."
    )
    look_at = (
        "Photograph them." if not unusable else "Photograph them again, sharp and in white light."
    )
    return [
        Flag(
            key=flag_key(FlagKind.NO_PHOTO, "room"),
            kind=FlagKind.NO_PHOTO,
            level=Level.LOOK,
            trays=tuple(trays),
            since=since,
            latest_at=room.now,
            reason=reason,
            look_at=look_at,
            strength=float(len(trays)),
        )
    ]


def _last_usable(room: RoomState, run: RunState) -> datetime:
    usable = [
        one.photo.taken_at
        for one in run.until(room.now)
        if one.photo.smallest_patch_mm is not None and one.photo.seen > 0
    ]
    return usable[-1] if usable else run.in_tray_from or run.spread_at


def _newer(room: RoomState, run: RunState, usable_at: datetime) -> bool:
    """Whether there was a photo after the last usable one."""
    return run.until(room.now)[-1].photo.taken_at > usable_at
