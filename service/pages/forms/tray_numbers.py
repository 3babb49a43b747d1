"""Several trays, typed as numbers or ticked."""

import re
from collections.abc import Sequence
from datetime import datetime
from typing import Final

import sqlalchemy as sa

from service.log.refusals import Refusal
from service.pages.forms.forms import Typed
from service.room.room_log import trays_by_number
from service.runs.run_calendar import present_run, run_calendar
from trayvision.reference_kit import LAST_TRAY_NUMBER

# Fields of a form that names trays: as text, and boxes.
TYPED_OR_TICKED: Final = ("trays", "tick")
_RANGE = re.compile(r"(\d{1,6})(?:-(\d{1,6}))?")


def tray_numbers(typed: Typed, *names: str) -> tuple[int, ...]:
    """Trays that a form names, each once, in the order in which they are named.

    Parameters
    ----------
    typed : Typed
    *names : str
        Fields, by default those where trays are typed or ticked.

    Raises
    ------
    Refusal
        If none is named, or something is no number that a kit can have.
    """
    names = names or TYPED_OR_TICKED
    texts = [text for name in names for text in typed.texts(name)]
    numbers = [number for text in texts for number in _read(text, names[0])]
    if not numbers:
        raise Refusal(names[0], "must name at least one tray, got nothing")
    return tuple(dict.fromkeys(numbers))


def registered_numbers(connection: sa.Connection) -> tuple[int, ...]:
    """Numbers of all registered trays."""
    return tuple(trays_by_number(connection))


def growing_numbers(connection: sa.Connection, now: datetime) -> frozenset[int]:
    """Numbers of trays in which something grows, or is about to."""
    by_tray = run_calendar(connection).by_tray
    return frozenset(
        spans[0].number for spans in by_tray.values() if present_run(spans, now) is not None
    )


def new_numbers_words(new: Sequence[int]) -> str:
    """A question to follow what was written of trays that the log did not know; may be empty."""
    if not new:
        return ""
    named = in_words(tuple(new)).removeprefix("trays ").removeprefix("tray ")
    if len(new) == 1:
        return f" {named} is a new number here: is it right?"
    return f" {named} are new numbers here: are they right?"


def in_words(numbers: tuple[int, ...]) -> str:
    """Such as "tray 17" or "trays 1, 2 and 14"."""
    if len(numbers) == 1:
        return f"tray {numbers[0]}"
    return f"trays {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"


def sentence(words: str) -> str:
    """With a capital letter at its beginning."""
    return words[:1].upper() + words[1:]


def _read(text: str, field: str) -> list[int]:
    numbers: list[int] = []
    # "1 - 3" and "1, 2 and 3" are typed as often as "1-3" and "1,2,3".
    plain = re.sub(r"\s*[-–]\s*", "-", text.replace(" and ", " "))
    for part in filter(None, re.split(r"[\s,;+&]+", plain)):
        found = _RANGE.fullmatch(part)
        if found is None:
            raise Refusal(field, f"must be numbers such as 1, 2, 3, 14 or 1-3, got {part[:40]!r}")
        first, last = int(found[1]), int(found[2] or found[1])
        beyond = next((one for one in (first, last) if one > LAST_TRAY_NUMBER), None)
        if beyond is not None:
            raise Refusal(field, f"must be numbers of kits, 0 to {LAST_TRAY_NUMBER}, got {beyond}")
        if last < first:
            raise Refusal(field, f"must go from the lower to the higher number, got {part!r}")
        numbers += range(first, last + 1)
    return numbers
