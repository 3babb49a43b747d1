"""The air as it was read last: in words, what of it asks for a look, whether it is due again."""

from dataclasses import dataclass
from typing import Any, Final

from service.models.runs import Reading
from service.models.today import Today
from service.pages.now import air_doubts
from service.pages.words import Say
from trayvision.attention.air_bands import words_beyond
from trayvision.attention.state import AirReading

_ENDS: Final = (("", ""), ("lowest ", "_low"), ("highest ", "_high"))
_ALL_OF_IT: Final = "the lowest and the highest too"


@dataclass(frozen=True)
class AirLine:
    """The last reading of one place.

    Parameters
    ----------
    reading : Reading
    beyond : str
        What of it lies beyond a limit, such as "too hot"; empty where nothing does.
    """

    reading: Reading
    beyond: str


@dataclass(frozen=True)
class AirNow:
    """The air in the day's round.

    Parameters
    ----------
    lines : tuple of AirLine
    due : str
        That it is to be read now; empty where somebody has, or nothing grows.
    """

    lines: tuple[AirLine, ...]
    due: str


def air_now(today: Today, say: Say) -> AirNow:
    """The air of a day's round, for its page."""
    lines = tuple(AirLine(reading, _beyond(reading)) for reading in today.readings)
    if not today.air_due:
        return AirNow(lines, "" if lines else "Not read yet.")
    if not lines:
        return AirNow(lines, f"Not read yet: read it in the morning and evening, {_ALL_OF_IT}.")
    last = max(reading.read_at for reading in today.readings)
    return AirNow(lines, f"Not read since {say.moment(last)}: read it now, {_ALL_OF_IT}.")


def air_words(reading: Reading, say: Say) -> str:
    """What was read, and a question where no room has such air."""
    values = reading.model_dump()
    parts = [
        f"{end}{say.temperature(values[f'temperature{field}_c'])}"
        for end, field in _ENDS
        if values[f"temperature{field}_c"] is not None
    ]
    parts += [
        f"{end}{values[f'humidity{field}_percent']:.0f} % humid"
        for end, field in _ENDS
        if values[f"humidity{field}_percent"] is not None
    ]
    doubt = air_doubts.doubt(values, say)
    return f"{', '.join(parts)}{'.' if doubt else ''}{doubt}"


def _beyond(reading: Reading) -> str:
    known: dict[str, Any] = {
        f"{quantity}{field}_{unit}": getattr(reading, f"{quantity}{field}_{unit}")
        for quantity, unit in (("temperature", "c"), ("humidity", "percent"))
        for _, field in _ENDS
    }
    words = " and ".join(words_beyond(AirReading(reading.read_at, **known)))
    return f"{words[:1].upper()}{words[1:]}"
