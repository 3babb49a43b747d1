"""Which places of a shelf are free, in few words however many they are."""

from collections.abc import Sequence
from typing import Final

from trayvision.kit.guide import number_ranges

# More names than that hide how many there are.
_MOST_NAMED: Final = 8


def free_words(names: Sequence[str]) -> str:
    """Such as "place 3", "places 2, 4–9" or "12 places"; empty where none is free."""
    if not names:
        return ""
    numbers = [int(name) for name in names if name.isascii() and name.isdecimal()]
    if len(numbers) == len(names):
        said = number_ranges(numbers)
    elif len(names) <= _MOST_NAMED:
        said = ", ".join(names)
    else:
        return f"{len(names)} places"
    return f"{'place' if len(names) == 1 else 'places'} {said}"
