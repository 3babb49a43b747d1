"""Chores in words: their kinds, and what was written down with them in the room's units."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Final

from service.pages.forms.filled import shown_weight
from service.pages.words import Say

KINDS: Final[Mapping[str, str]] = {
    "other": "Something else",
    "feed": "Feeding",
    "clean": "Cleaning",
    "soak": "Soaking",
    "water": "Watering",
}
# As they are kept, each with its unit; what else the log holds is said under its own name.
_LABELS: Final[Mapping[str, str]] = {
    "animals": "to",
    "weight_g": "weight",
    "refusals_g": "left over",
    "cleaned": "what",
    "product": "with",
    "amount": "how much",
    "contact_minutes": "contact time",
    "rinsed": "rinsed",
    "lot": "lot",
    "trays": "trays",
}


def details_words(details: Iterable[tuple[str, object]], say: Say) -> str:
    """Such as "to: 10 goats; weight: 12 kg"; empty where nothing was written."""
    return "; ".join(
        f"{_LABELS.get(name, name.replace('_', ' '))}: {value_words(name, value, say)}"
        for name, value in details
    )


def value_words(name: str, value: object, say: Say) -> str:
    """A value of the log as people of the room say it; the end of its name tells its unit."""
    if value is None:
        return "not recorded"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return say.dated(value)
    if isinstance(value, int | float):
        return _number_words(name, float(value), say)
    if isinstance(value, Mapping):
        return details_words(value.items(), say)
    return str(value)


def _number_words(name: str, number: float, say: Say) -> str:
    if name.endswith("_g"):
        return _weight(number, say)
    if name.endswith("_kg"):
        return _weight(1000.0 * number, say)
    if name.endswith("_mm"):
        return say.length(number)
    if name.endswith("_c"):
        return say.temperature(number)
    if name.endswith("_percent"):
        return f"{number:g} %"
    if name.endswith("_share"):
        return say.percent(number)
    return f"{number:g} minutes" if name.endswith("_minutes") else f"{number:g}"


def _weight(grams: float, say: Say) -> str:
    """To the gram, so that what was corrected by little is not said to be the same."""
    return f"{shown_weight(grams, say)} {say.room.weight_unit}"
