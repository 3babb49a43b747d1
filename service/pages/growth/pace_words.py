"""How much sooner or later runs grow than the room, in words with their doubt."""

from collections.abc import Callable

from service.growth.group_growth import GroupGrowth
from trayvision.measurement import WITHIN_95

_QUARTERS = {1: "a quarter of a day", 2: "half a day", 3: "three quarters of a day", 4: "a day"}


def runs_words(count: int) -> str:
    """Such as "14 runs"."""
    if count == 0:
        return "no runs"
    return f"{count} run" if count == 1 else f"{count} runs"


def pace_words(group: GroupGrowth | None) -> str:
    """Such as "about half a day sooner than the room, give or take 0.2 days, 14 runs"."""
    return _words(group, lambda days: f"{days:.1f} days", span_words)


def warmth_pace_words(group: GroupGrowth | None) -> str:
    """The same of a group over °C d, such as "about 12 °C d later than the room, …"."""
    return _words(group, "{:.0f} °C d".format, "about {:.0f} °C d".format)


def differs(group: GroupGrowth) -> bool:
    """Whether a group is known to be sooner or later than the room."""
    return group.can_tell and abs(group.lag) > WITHIN_95 * group.lag_uncertainty


def span_words(days: float) -> str:
    """Such as "about half a day", "about 1.7 days"."""
    quarters = round(4 * days)
    if quarters in _QUARTERS:
        return f"about {_QUARTERS[quarters]}"
    return f"about {days:.1f} days" if quarters else "a little"


def _words(
    group: GroupGrowth | None, reach: Callable[[float], str], span: Callable[[float], str]
) -> str:
    if group is None or not group.can_tell:
        return f"cannot tell yet: {runs_words(0 if group is None else group.runs)}"
    doubt = f"give or take {reach(WITHIN_95 * group.lag_uncertainty)}"
    if not differs(group):
        return f"no difference from the room that can be told, {doubt}, {runs_words(group.runs)}"
    side = "sooner" if group.lag < 0 else "later"
    return f"{span(abs(group.lag))} {side} than the room, {doubt}, {runs_words(group.runs)}"
