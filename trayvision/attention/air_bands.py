"""Beyond which limits the air of the room deserves a look."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from trayvision.attention.state import AirReading


@dataclass(frozen=True, slots=True)
class AirBand:
    """One alarm band, judgement to start with: beyond the limit for so long.

    Parameters
    ----------
    word : str
        What the place is.
    quantity : str
        Field of `AirReading`.
    limit : float
    above : bool
        Whether beyond means above.
    lasting : timedelta
        0: one reading is enough.
    advice : str
    acute : bool
        Whether seed or water lines suffer at once.
    """

    word: str
    quantity: str
    limit: float
    above: bool
    lasting: timedelta
    advice: str
    acute: bool = False

    @property
    def in_degrees(self) -> bool:
        """Whether its limit is a temperature."""
        return self.quantity == "temperature_c"

    @property
    def side(self) -> tuple[str, bool]:
        """What bands of one cause share, more or less of it."""
        return self.quantity, self.above

    @property
    def extreme(self) -> str:
        """Field of `AirReading` that says how far the air went towards the limit."""
        return self.quantity.replace("_", "_high_" if self.above else "_low_", 1)

    def beyond(self, value: float | None) -> bool:
        """Whether a value lies beyond the limit."""
        return value is not None and (value > self.limit if self.above else value < self.limit)


_TWO_HOURS, _SIX_HOURS = timedelta(hours=2), timedelta(hours=6)
# Most urgent first; published optimum for barley 19.7 °C and 62 % humidity, agency guide 17 to
# 24 °C and 40 to 80 %; limits and durations are judgement.
AIR_BANDS: Final = (
    AirBand(
        "too hot", "temperature_c", 27.0, True, timedelta(0),
        "Cool it now; seed stops sprouting and mould runs ahead.", acute=True,
    ),
    AirBand(
        "hot", "temperature_c", 24.0, True, _TWO_HOURS,
        "Look at the fan, the lights and the cooling.",
    ),
    AirBand(
        "freezing", "temperature_c", 0.0, False, timedelta(0),
        "Warm it now; seed and water lines freeze.", acute=True,
    ),
    AirBand(
        "cold", "temperature_c", 13.0, False, _TWO_HOURS,
        "Look at the heating and the draught.",
    ),
    AirBand(
        "humid", "humidity_percent", 80.0, True, _SIX_HOURS,
        "Look at the fan and the exhaust.",
    ),
    AirBand(
        "dry", "humidity_percent", 45.0, False, timedelta(0),
        "Look at the humidifier; seed dries out first.",
    ),
)  # fmt: skip


def words_beyond(reading: AirReading) -> tuple[str, ...]:
    """What is beyond a limit in one reading, however short: "too hot", "lowest cold".

    Of each quantity and side only the worst word, and the lowest and highest only where the air
    was not as bad when it was read.
    """
    found: dict[tuple[str, bool], str] = {}
    for band in AIR_BANDS:
        if band.beyond(getattr(reading, band.quantity)):
            found.setdefault(band.side, band.word)
        elif band.beyond(getattr(reading, band.extreme)):
            end = "highest" if band.above else "lowest"
            found.setdefault(band.side, f"{end} {band.word}")
    return tuple(found.values())
