"""Whether the day that was given can be a tray's day: mistyped dates of spreading are common."""

from trayvision.measurement import Measurement
from trayvision.score.expectations import (
    COVER,
    DAY_TOO_EARLY,
    EXPECTATIONS,
    SHOOT_HEIGHT,
    days_ahead,
)

# The value is taken so many standard uncertainties lower.
_SIGMAS = 2.0
# A time of spreading is often typed as that day's morning or evening; half a day early is forgiven.
FIRST_DAY = -0.5
# What is usual is known up to day 8. Twice that is no tray of the run that was meant, or one left
# standing that no table can score.
LAST_DAY = 16.0


def day_is_out_of_run(day: float | None) -> bool:
    """Whether a day lies before spreading, or so late that no tray can be scored by it.

    Dates of the run before or after the present one are common.

    Parameters
    ----------
    day : float or None
        Days since spreading, as given.
    """
    return day is not None and not FIRST_DAY <= day <= LAST_DAY


def day_is_too_early(
    day: float | None, *, cover: Measurement, shoot_height_mm: Measurement
) -> bool:
    """Whether a tray has grown far beyond what is usual on its day, its uncertainty allowed for.

    A tray far behind its day is no sign of a wrong day: weak seed and cold do that too.

    Parameters
    ----------
    day : float or None
        Days since spreading, as given.
    cover, shoot_height_mm : Measurement
        A share of the opening, and mm.
    """
    return day is not None and any(
        measured.value is not None
        and _days_too_early(quantity, measured.value - _SIGMAS * (measured.uncertainty or 0.0), day)
        >= DAY_TOO_EARLY.value
        for quantity, measured in ((COVER, cover), (SHOOT_HEIGHT, shoot_height_mm))
    )


def _days_too_early(quantity: str, value: float, day: float) -> float:
    """Days from a day to the first on which so much is usual; 0 where it is usual already."""
    ahead = days_ahead(quantity, value, day)
    first = min(row.day for row in EXPECTATIONS if row.quantity == quantity)
    # More than the first row allows is not usual on any day before it either.
    return ahead + max(0.0, first - day) if ahead > 0 else 0.0
