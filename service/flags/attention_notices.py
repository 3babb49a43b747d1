"""Reasons to look as the log keeps them: who they concern, how urgent, and where it is seen."""

from collections.abc import Iterable
from typing import Any, Final

from service.flags.flag_log import Notice
from service.flags.room_state import RoomNames
from trayvision.attention.air import air_key
from trayvision.attention.flags import Flag, FlagEvidence, FlagKind, flag_key
from trayvision.attention.siblings import Factor
from trayvision.attention.state import Level

KINDS: Final = frozenset(str(kind) for kind in FlagKind)
_KINDS: Final = tuple(FlagKind)
_LEVELS: Final = (Level.NOTE, Level.LOOK, Level.HOLD)
_LEVEL_STEP: Final = 100.0
# These only grow with the clock: by whole days, so that time alone writes no line an hour.
_GROWS_BY_DAYS: Final = {FlagKind.READY, FlagKind.OVERDUE}


def cause_of(flag: Flag, names: RoomNames) -> str:
    """The cause that a flag stands for in the log; all patches of a run's tray are one."""
    if flag.kind is FlagKind.POSSIBLE_MOULD:
        return flag_key(flag.kind, names.runs[flag.trays[0]])
    return flag.key


def notice_of(flag: Flag, names: RoomNames) -> Notice:
    """A flag as the log takes it."""
    alone = flag.trays[0] if len(flag.trays) == 1 else None
    strength = _strength(flag)
    return Notice(
        cause=cause_of(flag, names),
        kind=str(flag.kind),
        level=str(flag.level),
        urgency=_urgency(flag, strength),
        since=flag.since,
        at=flag.latest_at,
        reason=flag.reason,
        look=flag.look_at,
        evidence={
            "keys": [flag.key, *flag.also],
            "strength": strength,
            "since": flag.since.isoformat(),
            "trays": list(flag.trays),
            "related": list(flag.related),
            "near": list(flag.near),
            "could_be": list(flag.could_be),
            "air": list(flag.air),
            "confidence": None if flag.confidence is None else round(flag.confidence, 3),
            "confidence_words": flag.confidence_words,
            "places": _places(flag.evidence),
        },
        tray_id=None if alone is None else names.trays[alone],
        run_id=None if alone is None else names.runs[alone],
        shelf_id=_shelf_id(flag, names),
        lot_id=_lot_id(flag, names),
    )


def _strength(flag: Flag) -> float:
    if flag.kind in _GROWS_BY_DAYS:
        return float(int(flag.strength))
    return round(flag.strength, 3)


def _urgency(flag: Flag, strength: float) -> float:
    """The order of the list as one number: level, then kind, then strength below one step."""
    kind = len(_KINDS) - _KINDS.index(flag.kind)
    within = max(strength, 0.0) / (1 + max(strength, 0.0))
    return round(_LEVEL_STEP * _LEVELS.index(flag.level) + kind + 0.999 * within, 4)


def _places(evidence: Iterable[FlagEvidence]) -> list[dict[str, Any]]:
    """Each place with the photo that shows it now and the one before."""
    places: list[dict[str, Any]] = []
    for one in evidence:
        photo = {
            "photo_id": int(one.photo_id),
            "taken_at": one.taken_at.isoformat(),
            "found_mm": None if one.found_mm is None else round(one.found_mm, 1),
        }
        if one.role == "before":
            places[-1]["before"] = photo
            continue
        spot = one.spot
        places.append(
            {
                "tray": one.tray,
                "x_mm": None if spot is None else spot.x_mm,
                "y_mm": None if spot is None else spot.y_mm,
                "diameter_mm": None if spot is None else round(spot.diameter_mm, 1),
                "now": photo,
                "before": None,
            }
        )
    return places


def _shelf_id(flag: Flag, names: RoomNames) -> int | None:
    for shelf_id, name in names.shelves.items():
        if flag.key in (
            air_key(name),
            flag_key(FlagKind.BEHIND, Factor.SHELF, name),
        ):
            return shelf_id
    return None


def _lot_id(flag: Flag, names: RoomNames) -> int | None:
    for lot_id, name in names.lots.items():
        if flag.key in (
            flag_key(FlagKind.POOR_GERMINATION, "lot", name),
            flag_key(FlagKind.BEHIND, Factor.LOT, name),
        ):
            return lot_id
    return None
