"""A tray whose tags were read and do not stand as on a tray of the size that the log says."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from service.models.photos import PhotoOut
from service.models.room import Room
from service.pages import addresses
from service.pages.set_up.fields import size_in_words
from service.room.room_log import tray_sizes, trays_by_number
from trayvision.quality_flags import Doubt
from trayvision.reference_kit import CARRIED_STRIP_NUMBER


@dataclass(frozen=True)
class Misfit:
    """What is said of it, and where its size is said."""

    number: int
    words: str
    address: str


def misfits(
    connection: sa.Connection, photos: Iterable[PhotoOut], room: Room
) -> Mapping[int, Misfit]:
    """By photo, where it shows no other tray; sizes are those that the log says now."""
    found: dict[int, Misfit] = {}
    for photo in photos:
        number = _misfitting(photo)
        if number is None:
            continue
        size = size_in_words(tray_sizes(connection).get(number, room.tray_size), room.length_unit)
        own = f"{addresses.SET_UP_TRAYS}/{number}"
        new = addresses.with_query(addresses.SET_UP_TRAYS, [("numbers", number)])
        found[photo.id] = Misfit(
            number,
            f"Tray {number} is there, but it is not {size}, or its bars are not where they belong.",
            own if number in trays_by_number(connection) else new,
        )
    return found


def _misfitting(photo: PhotoOut) -> int | None:
    """Number of the only tray, of which the tags or what lies on its bed contradict the size."""
    shown = [*photo.trays, *photo.not_measured]
    if len(shown) != 1 or shown[0]["tray"] in (None, CARRIED_STRIP_NUMBER):
        return None
    contradicted = {str(Doubt.TAGS_CONTRADICT), str(Doubt.SIZE_DOUBTFUL)} & {*shown[0]["doubts"]}
    return shown[0]["tray"] if contradicted else None
