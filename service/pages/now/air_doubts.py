"""Air that no room of sprouting seed has, most often for a wrong unit or a missing decimal point:
kept, and asked about."""

from collections.abc import Mapping
from typing import Any, Final

from service.pages.words import Say
from service.room.air_limits import COLDEST_C, DRIEST_PERCENT, HOTTEST_C

_TEMPERATURES: Final = ("temperature_c", "temperature_low_c", "temperature_high_c")
_HUMIDITIES: Final = ("humidity_percent", "humidity_low_percent", "humidity_high_percent")


def doubt(values: Mapping[str, Any], say: Say) -> str:
    """A question to follow what was read; empty where every value can be.

    Parameters
    ----------
    values : mapping
        Of a reading, by their names in the log.
    say : Say
    """
    questions = [
        f" Is {say.temperature(degrees)} in the right unit?"
        for degrees in _given(values, _TEMPERATURES)
        if not COLDEST_C <= degrees <= HOTTEST_C
    ]
    questions += [
        f" {humidity:g} % humid: is the decimal point right?"
        for humidity in _given(values, _HUMIDITIES)
        if humidity < DRIEST_PERCENT
    ]
    return "".join(questions)


def _given(values: Mapping[str, Any], names: tuple[str, ...]) -> list[float]:
    return [values[name] for name in names if values.get(name) is not None]
