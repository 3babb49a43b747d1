"""What a candidate patch could be instead of mould, and how each of these behaves.

Root hairs lie down when wet and belong to days 2 and 3; glare and shadow wander with the camera;
husks and bare seed stay as they are, where they are; bare floor was bare before mould could be. The
numbers are judgement after growers' pages (no trial of mould against root hairs was found); a
room's own verdicts shift the weights.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

# Share of a tray that is bare, about: mould and most else is no likelier there than anywhere.
_BARE_BY_CHANCE: Final = 0.02


class Cause(StrEnum):
    """The harmless explanations, in the grower's words."""

    ROOT_HAIRS = "root hairs"
    GLARE = "glare"
    HUSKS = "husks"
    SHADOW = "shadow"
    FLOOR = "bare floor"


@dataclass(frozen=True, slots=True)
class Behaviour:
    """How one explanation shows over several photos.

    Parameters
    ----------
    seen_again : float
        Probability that a later photo which could show it does.
    growth_spread_mm_per_day : float
        Standard deviation of its apparent radial growth.
    gone_when_wet : float
        Probability that the photo after watering does not show it.
    log_ratio_when_wet : float
        Mean log ratio of its diameter after to before watering, where it is still seen.
    floor_before : float
        Probability that photos of the first days show bare floor at its place.
    """

    seen_again: float
    growth_spread_mm_per_day: float
    gone_when_wet: float
    log_ratio_when_wet: float
    floor_before: float = _BARE_BY_CHANCE


# A log ratio of diameters in the pair before and after watering scatters by that much.
WET_RATIO_SPREAD: Final = 0.35

MOULD: Final = Behaviour(
    seen_again=0.93, growth_spread_mm_per_day=0.0, gone_when_wet=0.05, log_ratio_when_wet=0.0
)
# No explanation is seen again more surely than mould: being there never speaks against it.
HARMLESS: Final[Mapping[Cause, Behaviour]] = {
    Cause.ROOT_HAIRS: Behaviour(0.85, 2.0, 0.6, -0.7),
    Cause.GLARE: Behaviour(0.40, 4.0, 0.5, 0.0),
    Cause.HUSKS: Behaviour(0.93, 0.7, 0.05, 0.0),
    Cause.SHADOW: Behaviour(0.40, 4.0, 0.05, 0.0),
    # Blades open and close over it.
    Cause.FLOOR: Behaviour(0.60, 2.0, 0.05, 0.0, floor_before=0.9),
}

_HAIRS_FIRST_DAY, _HAIRS_LAST_DAY = 1.0, 4.0
# Root hairs, glare, husks, shadow, floor. The floor's share in later days was measured: 11 of 30
# places wrongly looked at in rendered series had been seen bare on the first days.
_WHITE_IN_HAIR_DAYS: Final = (0.66, 0.13, 0.13, 0.02, 0.06)
_WHITE_LATER: Final = (0.13, 0.22, 0.28, 0.02, 0.35)
_COLOURED: Final = (0.04, 0.04, 0.36, 0.21, 0.35)
# Verdicts of a room weigh against the table above as if it rested on that many of its own.
_TABLE_COUNTS: Final = 10.0
_LEAST_WEIGHT: Final = 0.02


def cause_weights(
    look: str, day: float | None, *, alike: float = 0.0, said: Mapping[Cause, int] | None = None
) -> dict[Cause, float]:
    """How the explanations share the probability that a candidate is harmless.

    Parameters
    ----------
    look : str
        As in `trayvision.measures.mould.MouldPatch`.
    day : float or None
        Days since spreading; where not known, hairs are as likely as in their days.
    alike : float
        0 to 1: how far the siblings show the same even fuzz.
    said : mapping of Cause to int, optional
        How often this room's people named each cause.

    Returns
    -------
    dict of Cause to float
        Weights that add up to 1.

    Raises
    ------
    ValueError
        If a count in `said` is negative.
    """
    counts = dict(said or {})
    if any(count < 0 for count in counts.values()):
        raise ValueError(f"said must hold counts of 0 or more, got {counts!r}")
    hair_days = day is None or _HAIRS_FIRST_DAY <= day <= _HAIRS_LAST_DAY
    if look == "white fuzz":
        table = _WHITE_IN_HAIR_DAYS if hair_days else _WHITE_LATER
    else:
        table = _COLOURED
    weights = {
        cause: _TABLE_COUNTS * share + counts.get(cause, 0)
        for cause, share in zip(Cause, table, strict=True)
    }
    weights[Cause.ROOT_HAIRS] *= 1 + 2 * alike
    total = sum(weights.values())
    floored = {cause: max(weight / total, _LEAST_WEIGHT) for cause, weight in weights.items()}
    whole = sum(floored.values())
    return {cause: weight / whole for cause, weight in floored.items()}
