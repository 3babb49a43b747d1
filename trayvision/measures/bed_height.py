"""Height of a tray's seed bed, from the first photos of its run.

Before shoots stand above the seed, what hides the foot of the height strip is the seed itself. The
bed is taken to stay as high while the shoots grow; how much a root mat swells is not measured.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import sqrt
from typing import Final

from trayvision.measurement import Measurement

# Shoots break through from the second day on (common practice); until then seed lies bare.
BARE_DAYS: Final = 1.5
# Soaked seed lies 6 to 19 mm deep in published and growers' figures, usually 13 mm with its
# first roots (common practice); the spread covers that range.
TYPICAL_BED_HEIGHT_MM: Final = 14.0
ASSUMED_BED_HEIGHT: Final = Measurement(TYPICAL_BED_HEIGHT_MM, 4.0, "mm")
# More cover is no bare seed, and four spreads above the usual is no seed bed: the moment of
# spreading, the tray's size or the strip is not what the log says.
_MOST_COVER = 0.02
_HIGHEST_MM = 30.0
# Root mean square error on the first photos among the rendered samples in which the fill differs
# (8 photos; 1.5 mm over all 24). Photos of one place err alike, so more of them do not go below.
_LEAST_UNCERTAINTY_MM = 2.1


@dataclass(frozen=True, slots=True)
class FirstReading:
    """What one photo of a run's first days says.

    Parameters
    ----------
    canopy_height_mm : Measurement
    cover : float or None
    """

    canopy_height_mm: Measurement
    cover: float | None


def measured_bed_height(readings: Iterable[FirstReading]) -> Measurement | None:
    """The bed's height over the tray floor at the strip's end, in mm; None where nothing tells it.

    Parameters
    ----------
    readings : iterable of FirstReading
        Of photos up to `BARE_DAYS` after spreading, weighted by their uncertainties. Those that
        show shoots, or a height that no seed bed has, are left out.
    """
    weighted = [
        (height.value, 1 / height.uncertainty**2)
        for height in (one.canopy_height_mm for one in readings if (one.cover or 0) <= _MOST_COVER)
        if height.value is not None and height.uncertainty and height.value <= _HIGHEST_MM
    ]
    total = sum(weight for _, weight in weighted)
    if not total:
        return None
    mean = sum(value * weight for value, weight in weighted) / total
    return Measurement(mean, max(1 / sqrt(total), _LEAST_UNCERTAINTY_MM), "mm")
