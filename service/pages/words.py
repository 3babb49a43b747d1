"""How moments, ages and quantities are said to the people of one room."""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cached_property, lru_cache
from typing import Final, Protocol
from zoneinfo import ZoneInfo

from service.models.room import DayZero, LengthUnit, Room, TemperatureUnit, WeightUnit
from trayvision.score.parts import likelihood_words

MONTHS: Final = (
    "January February March April May June July August September October November December"
).split()
_DAYS: Final = "Monday Tuesday Wednesday Thursday Friday Saturday Sunday".split()
_NEAR: Final = {-1: "yesterday", 0: "today", 1: "tomorrow"}
# Exact by definition (international yard and pound agreement, 1959).
GRAMS_IN_A_POUND: Final = 453.59237
MM_IN_AN_INCH: Final = 25.4
# Within `Say`, "date" is a word for a moment.
CalendarDay = date
CANNOT_TELL: Final = "cannot tell"
_MOMENT_IN_A_RULE: Final = re.compile(r"\d{4}-\d{2}-\d{2} \d{2}:\d{2} UTC")
_MM: Final = re.compile(r"\b(\d+(?:\.\d+)?(?: to \d+(?:\.\d+)?)?) mm\b")
_SPOKEN: Final = {
    "spread_at": "the spreading",
    "soaked_at": "the soaking",
    "harvested_at": "the harvest",
    "temperature_high_c": "the highest",
    "humidity_high_percent": "the highest",
}
_NUMBERS: Final = "no one two three four five six seven eight nine ten eleven twelve".split()


def number_word(number: int) -> str:
    """A number as it stands in a sentence: a word up to twelve."""
    return _NUMBERS[number] if 0 <= number < len(_NUMBERS) else str(number)


class Spread(Protocol):
    """What was spread and perhaps soaked, such as a run as it lies in time."""

    @property
    def spread_at(self) -> datetime:
        """When its seed was spread."""

    @property
    def soaked_at(self) -> datetime | None:
        """When it was soaked, where known."""

    @property
    def ended_at(self) -> datetime | None:
        """When it ended, or will."""


@dataclass(frozen=True)
class Say:
    """Words for one room at one moment: its time zone, its units, how it counts days.

    Parameters
    ----------
    room : Room
    now : aware datetime
    """

    room: Room
    now: datetime

    @cached_property
    def zone(self) -> ZoneInfo:
        """The room's time zone."""
        return ZoneInfo(self.room.time_zone)

    @cached_property
    def today(self) -> CalendarDay:
        """The room's date."""
        return self.local(self.now).date()

    @cached_property
    def day_ends(self) -> datetime:
        """The first moment of the room's tomorrow."""
        return datetime.combine(self.today + timedelta(days=1), time(), self.zone)

    def local(self, moment: datetime) -> datetime:
        """A moment on the room's own clock."""
        return _local(moment, self.zone)

    def rule(self, rule: str) -> str:
        """A broken rule with its moments on the room's clock and its fields in plain words."""
        for name, words in _SPOKEN.items():
            rule = rule.replace(name, words)
        return _MOMENT_IN_A_RULE.sub(
            lambda found: self.moment(
                datetime.strptime(found[0], "%Y-%m-%d %H:%M UTC").replace(tzinfo=UTC)
            ),
            rule,
        )

    def clock(self, moment: datetime) -> str:
        """Such as "07:12"."""
        return _clock(self.local(moment))

    def date(self, moment: datetime) -> str:
        """Such as "26 November", with the year where it is another one; the month is a word."""
        return _dated_day(self.local(moment).date(), self.today)

    def short_date(self, moment: datetime) -> str:
        """Such as "26 Nov": under a chart, where the table below it has the whole date."""
        local = self.local(moment)
        return f"{local.day} {MONTHS[local.month - 1][:3]}"

    def dated(self, moment: datetime) -> str:
        """Such as "7 March 2026 09:10": for what is kept on paper."""
        return f"{self.calendar_day(self.local(moment).date())} {self.clock(moment)}"

    @staticmethod
    def calendar_day(day: CalendarDay) -> str:
        """Such as "7 March 2026"; the month is a word."""
        return f"{day.day} {MONTHS[day.month - 1]} {day.year}"

    def weekday(self, moment: datetime) -> str:
        """Such as "Thursday"."""
        return _DAYS[self.local(moment).weekday()]

    def moment(self, moment: datetime) -> str:
        """Such as "today 07:12", "yesterday 18:40", "Tuesday 24 November 18:40"."""
        local = self.local(moment)
        return f"{self._day(local)} {_clock(local)}"

    def day_of(self, moment: datetime) -> str:
        """Such as "today", "yesterday", "Tuesday 24 November": where the hour says little."""
        return self._day(self.local(moment))

    def _day(self, local: datetime) -> str:
        return _named_day(local.date(), self.today)

    def ago(self, moment: datetime) -> str:
        """Such as "3 hours ago", "in 2 days"."""
        apart = self.now - moment
        if abs(apart) < timedelta(minutes=1):
            return "just now"
        span = self.span(abs(apart))
        return f"{span} ago" if apart > timedelta(0) else f"in {span}"

    @staticmethod
    def span(length: timedelta) -> str:
        """Such as "40 minutes", "3 hours", "2 days"."""
        minutes = max(round(length.total_seconds() / 60), 1)
        for size, one in ((2 * 1440, "day"), (90, "hour"), (0, "minute")):
            if minutes >= size:
                number = round(minutes / {"day": 1440, "hour": 60, "minute": 1}[one])
                return f"{number} {one}" if number == 1 else f"{number} {one}s"
        raise AssertionError("a length has at least no minutes")

    @staticmethod
    def typed(moment: datetime, zone: ZoneInfo) -> str:
        """A moment as a date-and-time field takes it."""
        return f"{moment.astimezone(zone):%Y-%m-%dT%H:%M}"

    def field_moment(self, moment: datetime | None = None) -> str:
        """A moment, or now, as a date-and-time field takes it."""
        return self.typed(moment or self.now, self.zone)

    def day_of_run(self, run: Spread, at: datetime | None = None) -> str:
        """Such as "day 5", as this room counts; the other count in brackets.

        A day begins at midnight on the room's clock, as on a wall calendar and on the label:
        the date of spreading or of soaking is day 0, all of the next one is day 1.

        Parameters
        ----------
        run : Spread
        at : aware datetime, optional
            Such as of a photo. Default: now, or the run's end where that came before.
        """
        until = at or (self.now if run.ended_at is None else min(self.now, run.ended_at))
        if until < run.spread_at:
            return "soaking"
        spread = self._days(run.spread_at, until)
        by_spread = f"day {spread}"
        if run.soaked_at is None:
            return by_spread if self.room.day_zero is not DayZero.SOAK else f"{by_spread} in tray"
        soak = self._days(run.soaked_at, until)
        if self.room.day_zero is DayZero.SOAK:
            return f"day {soak} ({spread} in tray)"
        return f"{by_spread} ({soak} from soaking)"

    def _days(self, since: datetime, until: datetime) -> int:
        """Dates on the room's calendar from one moment to another."""
        return (self.local(until).date() - self.local(since).date()).days

    def weight(self, grams: float | None) -> str:
        """Such as "3.6 kg" or "8.0 lb"."""
        if grams is None:
            return "not weighed"
        return f"{self.weight_number(grams):g} {self.room.weight_unit}"

    def weight_number(self, grams: float) -> float:
        """The same as a number in the room's unit, to be typed over."""
        pounds = self.room.weight_unit is WeightUnit.POUND
        return round(grams / (GRAMS_IN_A_POUND if pounds else 1000.0), 2)

    def grams(self, amount: float) -> float:
        """What was typed in the room's unit of weight, in grams."""
        pounds = self.room.weight_unit is WeightUnit.POUND
        return amount * (GRAMS_IN_A_POUND if pounds else 1000.0)

    def length(self, mm: float | None) -> str:
        """Such as "14.2 cm" or "5.6 in": heights of canopies and shelves."""
        if mm is None:
            return CANNOT_TELL
        return f"{self.length_number(mm):.1f} {self.room.length_unit}"

    def length_number(self, mm: float) -> float:
        """The same as a number in the room's unit."""
        inches = self.room.length_unit is LengthUnit.INCH
        return round(mm / (MM_IN_AN_INCH if inches else 10.0), 1)

    def mm(self, amount: float) -> float:
        """What was typed in the room's unit of length, in mm."""
        inches = self.room.length_unit is LengthUnit.INCH
        return amount * (MM_IN_AN_INCH if inches else 10.0)

    def lengths(self, sentence: str) -> str:
        """A sentence of the library, which says heights in mm, in the room's unit of length."""

        def said(found: re.Match[str]) -> str:
            numbers = [f"{self.length_number(float(one)):.1f}" for one in found[1].split(" to ")]
            return f"{' to '.join(numbers)} {self.room.length_unit}"

        return _MM.sub(said, sentence)

    def spots(self, sentence: str) -> str:
        """The same of small places, which stay in mm where lengths are in cm."""
        return _MM.sub(lambda found: self.spot(float(found[1].split(" to ")[0])), sentence)

    def spot(self, mm: float) -> str:
        """Such as "9 mm" or "0.4 in": patches and other small places on a tray."""
        inches = self.room.length_unit is LengthUnit.INCH
        return f"{mm / MM_IN_AN_INCH:.1f} in" if inches else f"{mm:.0f} mm"

    def place(self, x_mm: float, y_mm: float) -> str:
        """Such as "86 mm towards bar A and 40 mm to the left from the middle" of a tray."""
        end, side = "B" if x_mm > 0 else "A", "left" if y_mm > 0 else "right"
        along, across = self.spot(abs(x_mm)), self.spot(abs(y_mm))
        return f"{along} towards bar {end} and {across} to the {side} from the middle"

    def temperature(self, celsius: float | None) -> str:
        """Such as "19.5 °C" or "67.1 °F"."""
        if celsius is None:
            return "not read"
        return f"{self.temperature_number(celsius):.1f} {self.room.temperature_unit}"

    def temperature_number(self, celsius: float) -> float:
        """The same as a number in the room's unit."""
        fahrenheit = self.room.temperature_unit is TemperatureUnit.FAHRENHEIT
        return round(celsius * 9 / 5 + 32 if fahrenheit else celsius, 1)

    def celsius(self, degrees: float) -> float:
        """What was typed in the room's unit of temperature, in °C."""
        fahrenheit = self.room.temperature_unit is TemperatureUnit.FAHRENHEIT
        return (degrees - 32) * 5 / 9 if fahrenheit else degrees

    @staticmethod
    def percent(share: float | None) -> str:
        """Such as "84 %"."""
        return CANNOT_TELL if share is None else f"{round(100 * share)} %"

    @staticmethod
    def likely(likelihood: float) -> str:
        """A likelihood in words and a number, such as "likely, 8 in 10"."""
        return likelihood_words(likelihood)


# A page says many moments, most of them the same as the page before it.
@lru_cache(maxsize=8192)
def _local(moment: datetime, zone: ZoneInfo) -> datetime:
    return moment.astimezone(zone)


@lru_cache(maxsize=1024)
def _named_day(day: CalendarDay, today: CalendarDay) -> str:
    near = _NEAR.get((day - today).days)
    return near or f"{_DAYS[day.weekday()]} {_dated_day(day, today)}"


def _dated_day(day: CalendarDay, today: CalendarDay) -> str:
    year = "" if day.year == today.year else f" {day.year}"
    return f"{day.day} {MONTHS[day.month - 1]}{year}"


def _clock(local: datetime) -> str:
    return f"{local.hour:02}:{local.minute:02}"
