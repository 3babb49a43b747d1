"""How fast a followed patch spreads, held against published growth rates of moulds."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, log, sqrt
from typing import Final

import numpy as np

from trayvision.warning.patch_sighting import PatchSighting, TrayPhoto, hidden_shares


@dataclass(frozen=True, slots=True)
class MouldIsolate:
    """Colony growth of one isolate as a function of temperature.

    The rate is `max_mm_per_day` times u^a (1 - u)^b, scaled to 1 at its peak, with
    u = (T - T_min) / (T_max - T_min). The table does not say whether the rate is of radius or
    diameter; two of its species match textbook colony radii (from memory), so radius is taken.
    """

    name: str
    a: float
    b: float
    min_c: float
    max_c: float
    max_mm_per_day: float

    def radial_mm_per_day(self, temperature_c: float) -> float:
        """Radial growth at a temperature; 0 outside the isolate's limits."""
        if not self.min_c < temperature_c < self.max_c:
            return 0.0
        u = (temperature_c - self.min_c) / (self.max_c - self.min_c)
        peak = self.a / (self.a + self.b)
        shape = (u / peak) ** self.a * ((1 - u) / (1 - peak)) ** self.b
        return float(self.max_mm_per_day * shape)


# J. Fungi 2023 9:294, Table 5 (on agar, 5 to 40 °C). The form of the curve is inferred from the
# printed optima; rows MZC-5 and MZC-14 print an optimum that does not follow from their a and b.
PUBLISHED_ISOLATES: Final = (
    MouldIsolate("Aspergillus flavus MZC-17", 2.27, 0.80, 5.0, 41.0, 5.6),
    MouldIsolate("Aspergillus flavus MZC-20", 1.79, 1.18, 13.5, 42.5, 5.3),
    MouldIsolate("Aspergillus niger MZC-14", 2.63, 1.67, 10.0, 42.5, 6.9),
    MouldIsolate("Aspergillus niger MZC-18", 2.36, 1.50, 12.0, 42.0, 6.6),
    MouldIsolate("Chaetomium globosum MZC-2", 1.74, 0.99, 5.0, 35.5, 2.2),
    MouldIsolate("Chaetomium globosum MZC-9", 1.16, 0.90, 5.0, 35.5, 2.0),
    MouldIsolate("Doratomyces stemonitis MZC-16", 2.10, 0.97, 6.0, 32.5, 2.0),
    MouldIsolate("Mucor circinelloides MZC-5", 1.97, 0.58, 3.5, 35.5, 10.4),
    MouldIsolate("Mucor circinelloides MZC-23", 1.03, 0.32, 5.0, 35.5, 11.0),
    MouldIsolate("Mucor fragilis MZC-1", 1.47, 0.73, 4.0, 35.0, 8.6),
    MouldIsolate("Penicillium citrinum MZC-21", 1.24, 0.62, 12.0, 35.5, 1.8),
    MouldIsolate("Trichoderma asperellum MZC-8", 2.39, 0.91, 7.5, 35.5, 13.3),
    MouldIsolate("Trichoderma asperellum MZC-10", 3.38, 1.18, 5.0, 35.5, 13.9),
    MouldIsolate("Trichoderma asperellum MZC-11", 2.60, 0.92, 5.0, 35.5, 15.2),
    MouldIsolate("Trichoderma asperellum MZC-24", 3.58, 1.29, 5.0, 35.5, 16.3),
    MouldIsolate("Trichoderma longibrachiatum MZC-4", 2.97, 0.96, 6.0, 40.5, 33.6),
)

TYPICAL_TEMPERATURE_C: Final = 19.0
# A patch of mould can stand still for a while (dried, drowned, at a wall): judgement.
_STALLED_SHARE: Final = 0.25
# A candidate's measured outline varies by that share of its diameter from photo to photo
# (blades, light, wetness): judgement, larger than a single photo's own uncertainty.
_RAGGED_SHARE: Final = 0.12
_MOST_NATS: Final = 8.0


@dataclass(frozen=True, slots=True)
class GrowthRate:
    """Radial growth of a patch and its standard uncertainty, mm per day."""

    mm_per_day: float
    uncertainty_mm_per_day: float


def growth_rate(sightings: Sequence[tuple[TrayPhoto, PatchSighting]]) -> GrowthRate | None:
    """Radial growth by weighted least squares of half the equivalent diameter over time.

    Parameters
    ----------
    sightings : sequence of (TrayPhoto, PatchSighting)
        Of one followed patch.

    Returns
    -------
    GrowthRate or None
        None with fewer than two moments.
    """
    if len(sightings) < 2:
        return None
    start = sightings[0][0].taken_at
    days = np.array([(photo.taken_at - start).total_seconds() / 86400 for photo, _ in sightings])
    radius = np.array([seen.diameter_mm / 2 for _, seen in sightings])
    spread = np.array(
        [
            hypot(seen.diameter_uncertainty_mm, _RAGGED_SHARE * seen.diameter_mm) / 2
            for _, seen in sightings
        ]
    )
    # Where blades hide a part, the radius is only known to be no smaller.
    hidden = np.array(hidden_shares(sightings))
    spread = np.hypot(spread, hidden * np.maximum.accumulate(radius))
    weight = 1 / spread**2
    centred = days - np.average(days, weights=weight)
    leverage = float((weight * centred**2).sum())
    if leverage <= 1e-12:
        return None
    slope = float((weight * centred * radius).sum()) / leverage
    return GrowthRate(slope, 1 / sqrt(leverage))


def growth_evidence(
    rate: GrowthRate | None, *, other_spread_mm_per_day: float, temperature_c: float | None = None
) -> float:
    """Log likelihood ratio of growing like a published mould against standing still, nats.

    Both sides are allowed the same scatter, so that faster growth never counts against mould;
    the side of mould is a mixture of the published isolates at the temperature and of a patch
    that has stopped.

    Parameters
    ----------
    rate : GrowthRate or None
        None gives 0.
    other_spread_mm_per_day : float
        Standard deviation of the apparent growth of what is not mould.
    temperature_c : float, optional
        Of the shelf; `TYPICAL_TEMPERATURE_C` where not known.
    """
    if rate is None:
        return 0.0
    variance = rate.uncertainty_mm_per_day**2 + other_spread_mm_per_day**2
    temperature = TYPICAL_TEMPERATURE_C if temperature_c is None else temperature_c
    terms = [log(_STALLED_SHARE)]
    share = log((1 - _STALLED_SHARE) / len(PUBLISHED_ISOLATES))
    for isolate in PUBLISHED_ISOLATES:
        pace = isolate.radial_mm_per_day(temperature)
        terms.append(share + (pace * rate.mm_per_day - pace**2 / 2) / variance)
    top = max(terms)
    total = top + log(sum(exp(term - top) for term in terms))
    return min(total, _MOST_NATS)
