"""The last photo of a tray in which nothing grows, as the log has it."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final

import sqlalchemy as sa

from service.models.photos import PhotoOut
from service.pages.photos.measure_words import SURELY_GROWS
from service.pages.words import Say
from service.photos.photo_log import latest_photos, photo_out
from service.runs.run_calendar import RunSpan

# An older one says little of what lies in the tray now.
_ASKS_FOR: Final = timedelta(days=2)
# Who weighs a tray photographs it just before, and types when it was taken afterwards.
_ROUNDED: Final = timedelta(hours=1)


@dataclass(frozen=True)
class StrayPhoto:
    """A photo that lies in no run.

    Parameters
    ----------
    photo_id : int
    level : str
        "look" or "hold" where it asks for that, else empty.
    words : str
        What it asks for; empty where nothing.
    ended_run_id : int or None
        The run that the log says had ended, where the photo shows that something grows.
    """

    photo_id: int
    level: str = ""
    words: str = ""
    ended_run_id: int | None = None


def stray_photo(
    connection: sa.Connection, tray_id: int, number: int, last: RunSpan | None, say: Say
) -> StrayPhoto | None:
    """The tray's last photo; of a tray whose run ended, only where it is later and asks for a look.

    Parameters
    ----------
    connection : Connection
    tray_id, number : int
    last : RunSpan or None
        The tray's last run.
    say : Say
    """
    photo_id = latest_photos(connection, [tray_id]).get(tray_id)
    if photo_id is None:
        return None
    photo = photo_out(connection, photo_id)
    if last is not None and photo.taken_at < last.until:
        return None
    shown = next((one for one in photo.trays if one["tray"] == number), None)
    level = "quiet" if shown is None else str(shown["score"].get("attention") or "quiet")
    if level == "quiet" or say.now - photo.taken_at > _ASKS_FOR:
        return StrayPhoto(photo_id) if last is None else _still_growing(photo, shown, last, say)
    asks = "to hold it from feeding until you have looked" if level == "hold" else "for a look"
    return StrayPhoto(photo_id, level, f"a photo of {say.moment(photo.taken_at)} asks {asks}")


def _still_growing(
    photo: PhotoOut, shown: dict[str, Any] | None, last: RunSpan, say: Say
) -> StrayPhoto | None:
    """A tray that is full of shoots after its harvest: it was another one that was taken."""
    cover = None if shown is None else shown["cover"]["value"]
    lately = last.until + _ROUNDED <= photo.taken_at and say.now - photo.taken_at <= _ASKS_FOR
    if cover is None or cover < SURELY_GROWS or not lately:
        return None
    words = f"a photo of {say.moment(photo.taken_at)} shows shoots over {say.percent(cover)} of it"
    return StrayPhoto(photo.id, "look", words, ended_run_id=last.id)
