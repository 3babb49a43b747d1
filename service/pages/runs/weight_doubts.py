"""Weights that no tray holds, most often for a missing decimal point: kept, and asked about."""

from collections.abc import Mapping
from typing import Final

from service.models.room import WeightUnit
from service.pages.forms.tray_numbers import in_words
from service.pages.words import GRAMS_IN_A_POUND, MM_IN_AN_INCH, Say

# Judgement: 3 to 6 kg of dry seed on a square metre is common practice, and fresh weight is 6 to 8
# times that, 48 kg, at most; with room above, so that a thick tray is not doubted.
MOST_FRESH_G_PER_M2: Final = 60_000.0
# Growers tell of 1.5 kg as so thin that the mat tears, and of 9 kg as overfull.
LEAST_SEED_G_PER_M2: Final = 1_000.0
MOST_SEED_G_PER_M2: Final = 9_000.0
_USUAL_SEED_G_PER_M2: Final = (3_000.0, 6_000.0)
_SQUARE_FEET_IN_A_M2: Final = (1000.0 / (12.0 * MM_IN_AN_INCH)) ** 2


def area_m2(size: str) -> float:
    """Floor of a tray by its inner size, such as 540x280x60, mm."""
    length_mm, width_mm, *_ = map(float, size.split("x"))
    return length_mm * width_mm / 1e6


def fresh_doubt(weights_g: Mapping[int, float | None], sizes: Mapping[int, str], say: Say) -> str:
    """A question to follow what was written down of harvests; empty where no weight is too much.

    Parameters
    ----------
    weights_g : mapping of tray number to weight, None where it was not weighed
    sizes : mapping of tray number to its inner size, such as 540x280x60, mm
    say : Say
    """
    for number, weight_g in weights_g.items():
        most_g = MOST_FRESH_G_PER_M2 * area_m2(sizes.get(number, say.room.tray_size))
        if weight_g is not None and weight_g > most_g:
            of = f"tray {number}" if len(weights_g) > 1 else "one tray"
            return f" {say.weight(weight_g)} in {of}: is the decimal point right?"
    return ""


def seed_doubt(weights_g: Mapping[int, float], sizes: Mapping[int, str], say: Say) -> str:
    """The same of dry seed; it names all trays that are thinner or thicker than any grower's.

    Parameters
    ----------
    weights_g : mapping of tray number to weight, 0 where it was not weighed
    sizes : mapping of tray number to its inner size, such as 540x280x60, mm
    say : Say
    """
    strange: dict[tuple[float, float], list[int]] = {}
    for number, weight_g in weights_g.items():
        rate = weight_g / area_m2(sizes.get(number, say.room.tray_size))
        if weight_g and not LEAST_SEED_G_PER_M2 <= rate <= MOST_SEED_G_PER_M2:
            strange.setdefault((weight_g, rate), []).append(number)
    low, high = (_rate_number(rate, say) for rate in _USUAL_SEED_G_PER_M2)
    words = ""
    for (weight_g, rate), numbers in strange.items():
        of = f"{'each of ' if len(numbers) > 1 else ''}{in_words(tuple(numbers))}"
        words += (
            f" {say.weight(weight_g)} in {of} is {_rate_number(rate, say)} {rate_unit(say)}, and "
            f"{low} to {high} is usual: is the decimal point right?"
        )
    return words


def rate_unit(say: Say) -> str:
    """Weight on an area, as the room weighs."""
    return "lb/sq ft" if say.room.weight_unit is WeightUnit.POUND else "kg/m²"


def _rate_number(g_per_m2: float, say: Say) -> str:
    if say.room.weight_unit is WeightUnit.POUND:
        return f"{g_per_m2 / GRAMS_IN_A_POUND / _SQUARE_FEET_IN_A_M2:.2g}"
    number = g_per_m2 / 1000.0
    return f"{number:.0f}" if number >= 10.0 else f"{number:.1f}".removesuffix(".0")
