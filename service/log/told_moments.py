"""How far ahead of the service's clock a moment may lie that people or devices tell."""

from datetime import datetime, timedelta
from typing import Final

from service.log.refusals import Refusal

# A clock further ahead than that is wrong; less may be a time zone that nobody set. A photo years
# ahead would stay its tray's latest for years, and a harvest would leave it growing.
FURTHEST_AHEAD: Final = timedelta(days=1)
# A tray may be written down while its seed soaks, or for next week.
RUN_FURTHEST_AHEAD: Final = timedelta(days=14)
# Nobody has a photo before it was taken; clocks of phones differ by minutes.
PHOTO_FURTHEST_AHEAD: Final = timedelta(minutes=15)
# Seed that soaks for longer than that was typed with a wrong date.
LONGEST_SOAK: Final = timedelta(days=14)


def refuse_ahead(
    field: str, moment: datetime, now: datetime, *, furthest: timedelta = FURTHEST_AHEAD
) -> None:
    """Refuse a moment of what happened that lies too far ahead.

    Parameters
    ----------
    field : str
        What it is called.
    moment, now : aware datetime
    furthest : timedelta
        Whole days, or less than one.

    Raises
    ------
    Refusal
        If it lies further ahead than that.
    """
    if moment > now + furthest:
        raise Refusal(
            field,
            f"must lie at most {_span(furthest)} ahead, got {moment:%Y-%m-%d %H:%M} UTC while the "
            f"service's clock says {now:%Y-%m-%d %H:%M} UTC",
        )


def _span(length: timedelta) -> str:
    if length < timedelta(days=1):
        return f"{length // timedelta(minutes=1)} minutes"
    return "a day" if length.days == 1 else f"{length.days} days"
