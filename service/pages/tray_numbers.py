"""Several trays, typed as numbers or ticked."""

import re

from service.pages.forms import Typed
from service.refusals import Refusal
from trayvision.reference_kit import LAST_TRAY_NUMBER

TYPED, TICKED = "trays", "tick"
_RANGE = re.compile(r"(\d{1,6})(?:[-–](\d{1,6}))?")


def tray_numbers(typed: Typed) -> tuple[int, ...]:
    """Trays that a form names, each once, as typed first.

    Raises
    ------
    Refusal
        If none is named, or something is no number that a kit can have.
    """
    numbers = [one for text in [*typed.texts(TYPED), *typed.texts(TICKED)] for one in _read(text)]
    if not numbers:
        raise Refusal(TYPED, "must name at least one tray, got nothing")
    return tuple(dict.fromkeys(numbers))


def _read(text: str) -> list[int]:
    numbers: list[int] = []
    # "1 - 3" and "1, 2 and 3" are typed as often as "1-3" and "1,2,3".
    plain = re.sub(r"\s*[-–]\s*", "-", text.replace(" and ", " "))
    for part in re.split(r"[\s,;+&]+", plain.strip(" ,;")):
        found = _RANGE.fullmatch(part)
        if found is None:
            raise Refusal(TYPED, f"must be numbers such as 1, 2, 3, 14 or 1-3, got {part[:40]!r}")
        first, last = int(found[1]), int(found[2] or found[1])
        beyond = next((one for one in (first, last) if one > LAST_TRAY_NUMBER), None)
        if beyond is not None:
            raise Refusal(TYPED, f"must be numbers of kits, 0 to {LAST_TRAY_NUMBER}, got {beyond}")
        if last < first:
            raise Refusal(TYPED, f"must go from the lower to the higher number, got {part!r}")
        numbers += range(first, last + 1)
    return numbers


def in_words(numbers: tuple[int, ...]) -> str:
    """Such as "Tray 17" or "Trays 1, 2 and 14"."""
    if len(numbers) == 1:
        return f"Tray {numbers[0]}"
    return f"Trays {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"
