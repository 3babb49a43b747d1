"""A measured value that never parts from its standard uncertainty and its unit."""

from dataclasses import dataclass
from math import isfinite
from typing import Final

# 95 of 100 truths lie within this many standard uncertainties of a normal distribution.
WITHIN_95: Final = 1.96


@dataclass(frozen=True, slots=True)
class Measurement:
    """One measured quantity.

    Parameters
    ----------
    value : float or None
        The estimate in `unit`; ``None`` when the photo cannot give it.
    uncertainty : float or None
        Standard uncertainty (one sigma, k = 1, after JCGM 100:2008) in `unit`; ``None``
        exactly when `value` is.
    unit : str
        ``"mm"``, ``"mm2"``, ``"1"`` for a share, …
    reason : str or None
        Why there is no value: the name of a `trayvision.quality_flags.Doubt`.

    Raises
    ------
    ValueError
        If value and uncertainty are not both given or both absent, if either is not
        finite, if the uncertainty is negative, or if a missing value has no reason.
    """

    value: float | None
    uncertainty: float | None
    unit: str
    reason: str | None = None

    def __post_init__(self) -> None:
        if (self.value is None) != (self.uncertainty is None):
            raise ValueError(
                "value and uncertainty must both be given or both be None, "
                f"got {self.value!r} and {self.uncertainty!r}"
            )
        if self.value is None or self.uncertainty is None:
            if not self.reason:
                raise ValueError("reason must name a doubt when value is None, got nothing")
            return
        if not (isfinite(self.value) and isfinite(self.uncertainty)):
            raise ValueError(
                f"value and uncertainty must be finite, got {self.value!r} ± {self.uncertainty!r}"
            )
        if self.uncertainty < 0:
            raise ValueError(f"uncertainty must not be negative, got {self.uncertainty!r}")

    @classmethod
    def unknown(cls, unit: str, reason: str) -> "Measurement":
        """A quantity that this photo cannot give, and the named reason."""
        return cls(None, None, unit, reason)

    def interval95(self) -> tuple[float, float] | None:
        """Value ± 1.96 standard uncertainties, or None when there is no value."""
        if self.value is None or self.uncertainty is None:
            return None
        reach = WITHIN_95 * self.uncertainty
        return self.value - reach, self.value + reach


def give_or_take(uncertainty: float, digits: int = 0) -> str:
    """Half of the 95 % interval as people read it, such as ``"3"`` or ``"less than 1"``.

    Parameters
    ----------
    uncertainty : float
        Standard uncertainty, in the unit that is said beside it.
    digits : int
        Digits after the decimal point.
    """
    words = f"{WITHIN_95 * uncertainty:.{digits}f}"
    # Rounded to nothing it would be said to be exact.
    return words if float(words) else f"less than {10.0**-digits:.{digits}f}"
