"""Likely patches of mould in photos without the kit: a look, since they cannot be followed."""

from math import log
from typing import Final

from trayvision.attention.flags import Flag, FlagKind, flag_key, tray_words
from trayvision.attention.readings import TrayReading, UnplacedPatch
from trayvision.attention.state import Level, RoomState, RunState
from trayvision.score.expectations import CALLED_LIKELIHOOD
from trayvision.score.health_score import LOOK_FIRST, WATER_FIRST

WITH_KIT: Final = "With the kit on it, the next photo tells size and place."
_CERTAIN: Final = 0.999


def unplaced_flags(room: RoomState) -> list[Flag]:
    """One flag for every tray whose last telling photo has a likely patch and no millimetres.

    It stands until a later photo that could show a patch does not, or shows it in millimetres:
    then it is followed like any other.
    """
    return [flag for run in room.runs if (flag := _flag_of(room, run)) is not None]


def _flag_of(room: RoomState, run: RunState) -> Flag | None:
    telling = [one for one in run.until(room.now) if _tells(one)]
    if not telling or (now := _likely(telling[-1])) is None:
        return None
    first = len(telling) - 1
    while first and _likely(telling[first - 1]) is not None:
        first -= 1
    photo = telling[-1].photo
    look_at = [LOOK_FIRST, WITH_KIT]
    if now.look == "white fuzz":
        look_at.insert(1, WATER_FIRST)
    sure = min(now.likelihood, _CERTAIN)
    return Flag(
        key=flag_key(FlagKind.POSSIBLE_MOULD, run.run_id, "without", "kit"),
        kind=FlagKind.POSSIBLE_MOULD,
        level=Level.LOOK,
        trays=(run.tray,),
        since=telling[first].photo.taken_at,
        latest_at=photo.taken_at,
        reason=f"{tray_words(room, run)}: {now.look} in a photo without the kit, which cannot "
        "tell its size.",
        look_at=" ".join(look_at),
        confidence=now.likelihood,
        # In nats, as the evidence for patches that are followed.
        strength=log(sure / (1 - sure)),
    )


def _tells(reading: TrayReading) -> bool:
    """Whether the photo would show a patch of mould."""
    if reading.in_mm:
        return reading.photo.smallest_patch_mm is not None
    return reading.unplaced is not None


def _likely(reading: TrayReading) -> UnplacedPatch | None:
    likely = [one for one in reading.unplaced or () if one.likelihood >= CALLED_LIKELIHOOD.value]
    return max(likely, key=lambda one: one.likelihood, default=None)
