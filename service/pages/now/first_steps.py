"""The way in on the first page: a new room's steps, and what is left of them with trays."""

from dataclasses import dataclass

import sqlalchemy as sa

from service.pages import addresses
from service.photos.inspection_log import any_tray_was_seen
from service.room.chore_log import mounted_numbers
from service.room.room_log import trays_by_number
from service.runs.run_calendar import run_calendar
from service.runs.run_log import lots_by_id


@dataclass(frozen=True)
class Step:
    """One of the first steps in a new room."""

    what: str
    why: str
    address: str
    done: bool = False


def first_steps(connection: sa.Connection, *, has_shelves: bool) -> tuple[Step, ...]:
    """What a room needs before it can show anything; nothing once it has a tray."""
    if trays_by_number(connection):
        return ()
    return (
        Step(
            "Set up the room",
            "Its racks and shelves, the size of its trays, how it counts its days.",
            addresses.SET_UP,
            done=has_shelves,
        ),
        Step(
            "Print the kit",
            "Small sheets for the rim of each tray: by them a photo tells the tray and its size.",
            addresses.PRINT,
        ),
        Step(
            "Snap the first photos",
            "Straight from above, the whole tray in the picture. Each photo is read at once.",
            addresses.SNAP,
        ),
    )


def way_in(connection: sa.Connection) -> tuple[Step, ...]:
    """What leads from registered trays to the first look; nothing once one was had."""
    registered = trays_by_number(connection)
    spread = bool(run_calendar(connection).by_id)
    seen = any_tray_was_seen(connection)
    if not registered or (spread and seen):
        return ()
    return (
        Step(
            "Enter a seed lot",
            "What stands on the bag, and how much came: then the log tells how much is left.",
            addresses.SET_UP_LOTS,
            done=bool(lots_by_id(connection)),
        ),
        Step(
            "Print and mount the kits",
            "And tick there which trays have theirs.",
            addresses.SET_UP_KIT,
            done=registered.keys() <= mounted_numbers(connection),
        ),
        Step(
            "Write down which trays were spread",
            "Without it no photo has a day, and no tray is due.",
            addresses.START,
            done=spread,
        ),
        Step(
            "Snap the first photos",
            "Straight from above, the whole tray in the picture. Each photo is read at once.",
            addresses.SNAP,
            done=seen,
        ),
    )
