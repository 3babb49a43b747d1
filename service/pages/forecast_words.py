"""When a tray will be ready, in words: an hour with its spread, never more than is known."""

from datetime import datetime, timedelta

from service.models.growth import Forecast
from service.pages.words import Say

# Nearer than that an hour is said without its spread.
_LEAST_SPREAD = timedelta(minutes=45)
# To the nearest full hour: minutes would be said more exactly than they are known.
_HALF_HOUR = timedelta(minutes=30)
_WEEK_DAYS = 6


def ready_words(forecast: Forecast, say: Say) -> str:
    """Such as "ready on Friday about 14:00, give or take 9 hours"."""
    at = forecast.harvest_at
    if not target_words(forecast, say):
        return "when it will be ready is not forecast: no harvest target is set for it or the room"
    if at is None:
        return f"when it will be ready cannot be told yet: {_unmet(forecast, say)}"
    # At its harvest day a tray is due whatever its height, which may not have got there.
    what = "due" if by_day(forecast) else "ready"
    if at <= say.now:
        return f"{what} since {say.moment(at)}"
    return f"{what} {_about(forecast, say)}{_give_or_take(forecast)}"


def by_day(forecast: Forecast) -> bool:
    """Whether the day that was set, and not the height, decides."""
    low, high = forecast.low_at, forecast.high_at
    known = low is not None and high is not None and high - low < _LEAST_SPREAD
    return known and forecast.target_day is not None


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
    if high is None:
        return f"Not before {_hour(low, say)}; it may also never get there."
    if by_day(forecast):
        return "That is the day by which it is to be harvested, whatever its height."
    return f"Between {_hour(low, say)} and {_hour(high, say)}, {odds}."


def _unmet(forecast: Forecast, say: Say) -> str:
    height = forecast.target_shoot_height_mm
    goal = "its target" if height is None else say.length(height)
    return f"it may not reach {goal}"


def _about(forecast: Forecast, say: Say) -> str:
    assert forecast.harvest_at is not None
    at = forecast.harvest_at + _HALF_HOUR
    hour = f"about {say.local(at):%H}:00"
    days = (say.local(at).date() - say.local(say.now).date()).days
    if days in (0, 1):
        return f"{('today', 'tomorrow')[days]} {hour}"
    date = "" if days <= _WEEK_DAYS else f" {say.date(at)}"
    return f"on {say.weekday(at)}{date} {hour}"


def _hour(moment: datetime, say: Say) -> str:
    local = say.local(moment + _HALF_HOUR)
    return say.moment(local.replace(minute=0))


def _give_or_take(forecast: Forecast) -> str:
    low, high, at = forecast.low_at, forecast.high_at, forecast.harvest_at
    assert at is not None
    if low is None or high is None:
        return ", or much later"
    reach = (high - low) / 2
    return "" if reach < _LEAST_SPREAD else f", give or take {Say.span(reach)}"
