"""How much sooner or later runs grow than the room, in words with their doubt."""

from service.group_growth import GroupGrowth

# Nine of ten truths of a normal distribution lie within so many standard uncertainties.
_WITHIN = 1.645
_QUARTERS = {1: "a quarter of a day", 2: "half a day", 3: "three quarters of a day", 4: "a day"}


def runs_words(count: int) -> str:
    """Such as "14 runs"."""
    if count == 0:
        return "no runs"
    return f"{count} run" if count == 1 else f"{count} runs"


def pace_words(group: GroupGrowth | None) -> str:
    """Such as "about half a day sooner than the room, give or take 0.2 days, 14 runs"."""
    if group is None or not group.can_tell:
        return f"cannot tell yet: {runs_words(0 if group is None else group.runs)}"
    doubt = f"give or take {_WITHIN * group.lag_uncertainty_days:.1f} days"
    if not differs(group):
        return f"no difference from the room that can be told, {doubt}, {runs_words(group.runs)}"
    side = "sooner" if group.lag_days < 0 else "later"
    return (
        f"{span_words(abs(group.lag_days))} {side} than the room, {doubt}, {runs_words(group.runs)}"
    )


def differs(group: GroupGrowth) -> bool:
    """Whether a group is known to be sooner or later than the room."""
    return group.can_tell and abs(group.lag_days) > _WITHIN * group.lag_uncertainty_days


def span_words(days: float) -> str:
    """Such as "about half a day", "about 1.7 days"."""
    quarters = round(4 * days)
    if quarters in _QUARTERS:
        return f"about {_QUARTERS[quarters]}"
    return f"about {days:.1f} days" if quarters else "a little"
