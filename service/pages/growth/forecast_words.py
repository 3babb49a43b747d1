"""When a tray will be ready, in words: an hour with its spread, never more than is known."""

from datetime import datetime, timedelta

from service.models.growth import Forecast
from service.pages.words import Say

# Nearer than that an hour is said without its spread.
_LEAST_SPREAD = timedelta(minutes=45)
# To the nearest full hour: minutes would be said more exactly than they are known.
_HALF_HOUR = timedelta(minutes=30)
_WEEK_DAYS = 6
# One side that much longer than the other is no "give or take".
_LOPSIDED = 2


def ready_words(forecast: Forecast, say: Say) -> str:
    """Such as "ready on Friday about 14:00, give or take 9 hours"."""
    at = forecast.harvest_at
    if not target_words(forecast, say):
        return "when it will be ready is not forecast: no harvest target is set for it or the room"
    if at is None:
        return f"when it will be ready cannot be told yet: {_unmet(forecast, say)}"
    if forecast.by_days_alone:
        return f"by its days {due_words(at, say)}"
    # At its harvest day a tray is due whatever its height, which may not have got there.
    what = "due" if by_day(forecast) else "ready"
    if at <= say.now:
        return f"{what} since {say.moment(at)}"
    spread = "" if by_day(forecast) else _give_or_take(forecast, say)
    return f"{what} {_about(at, say)}{spread}"


def by_day(forecast: Forecast) -> bool:
    """Whether the day that was set, and not the height, decides."""
    at, high = forecast.harvest_at, forecast.high_at
    known = at is not None and high is not None and high - at < _LEAST_SPREAD
    return known and forecast.target_day is not None


def due_words(at: datetime, say: Say) -> str:
    """When a tray is due that was not measured yet: no nearer than the day."""
    if at <= say.now:
        return f"due since {say.day_of(at)}"
    days = (say.local(at).date() - say.today).days
    if days == 0:
        return "due today"
    return f"due about {say.weekday(at) if 1 < days <= _WEEK_DAYS else say.day_of(at)}"


def target_words(forecast: Forecast, say: Say) -> str:
    """Such as "15.0 cm or day 8, whichever comes first", from spreading; empty without a target."""
    height, day = forecast.target_shoot_height_mm, forecast.target_day
    said = [] if height is None else [say.length(height)]
    said += [] if day is None else [f"day {day:g} after spreading"]
    both = ", whichever comes first" if len(said) > 1 else ""
    return " or ".join(said) + both


def interval_words(forecast: Forecast, say: Say) -> str:
    """The interval of the forecast with how often it holds."""
    odds = f"{round(10 * forecast.coverage)} times in 10"
    low, high = forecast.low_at, forecast.high_at
    if forecast.harvest_at is None or low is None:
        return ""
    if forecast.by_days_alone:
        return "No height of it was measured yet: that is how such trays grow."
    if high is None:
        return f"Not before {_hour(low, say)}; it may also never get there."
    if by_day(forecast):
        words = "That is the day by which it is to be harvested, whatever its height."
        known = high - low < _LEAST_SPREAD or low <= say.now
        return words if known else f"{words} It may be tall enough from {_hour(low, say)} on."
    return f"Between {_hour(low, say)} and {_hour(high, say)}, {odds}."


def _unmet(forecast: Forecast, say: Say) -> str:
    height = forecast.target_shoot_height_mm
    goal = "its target" if height is None else say.length(height)
    return f"it may not reach {goal}"


def _about(moment: datetime, say: Say) -> str:
    at = moment + _HALF_HOUR
    hour = f"about {say.local(at):%H}:00"
    days = (say.local(at).date() - say.local(say.now).date()).days
    if days in (0, 1):
        return f"{('today', 'tomorrow')[days]} {hour}"
    date = "" if days <= _WEEK_DAYS else f" {say.date(at)}"
    return f"on {say.weekday(at)}{date} {hour}"


def _hour(moment: datetime, say: Say) -> str:
    local = say.local(moment + _HALF_HOUR)
    return say.moment(local.replace(minute=0))


def _give_or_take(forecast: Forecast, say: Say) -> str:
    """How far off it may be; of a lopsided interval only the far end, which says most."""
    low, high, at = forecast.low_at, forecast.high_at, forecast.harvest_at
    assert at is not None
    if low is None or high is None:
        return ", or much later"
    early, late = at - low, high - at
    if max(early, late) < _LEAST_SPREAD:
        return ""
    if early > _LOPSIDED * late:
        return f", perhaps already {'now' if low <= say.now else _about(low, say)}"
    if late > _LOPSIDED * early:
        return f", perhaps only {_about(high, say)}"
    return f", give or take {Say.span(max(early, late))}"
