"""What one photo says about a tray's candidate patches of mould, in tray millimetres."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from math import erf, isfinite, pi, sqrt
from typing import Final

import numpy as np

from trayvision.measures.mould import MouldPatch

_SMALLEST_PATCH_SPREAD: Final = 0.2
# Blades hide a patch as a whole or not at all, so the share that they leave open on average says
# too much: of 295 times that one called mould should have been seen again in 800 rendered series,
# it was in 0.95 below a cover of 0.5, in 0.90 up to 0.7, in 0.71 up to 0.8 and in 0.58 above. What
# is left of the chance to see one, by cover:
_SEEN_COVER: Final = 0.6, 0.85
_SEEN_SHARE: Final = 1.0, 0.62


class Watering(StrEnum):
    """Whether a photo was taken just before or just after water came."""

    BEFORE = "before"
    AFTER = "after"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, order=True)
class PatchSighting:
    """One candidate patch in one photo, as `trayvision.measures.mould` reads it.

    Raises
    ------
    ValueError
        If the likelihood lies outside 0 to 1, a size is not positive, or a number not finite.
    """

    x_mm: float
    y_mm: float
    diameter_mm: float
    diameter_uncertainty_mm: float
    likelihood: float
    look: str = "white fuzz"

    def __post_init__(self) -> None:
        for name in ("x_mm", "y_mm", "diameter_mm", "diameter_uncertainty_mm", "likelihood"):
            if not isfinite(getattr(self, name)):
                raise ValueError(f"{name} must be finite, got {getattr(self, name)!r}")
        if not 0 <= self.likelihood <= 1:
            raise ValueError(f"likelihood must lie from 0 to 1, got {self.likelihood!r}")
        if self.diameter_mm <= 0 or self.diameter_uncertainty_mm < 0:
            raise ValueError(
                "diameter_mm must be positive and its uncertainty not negative, got "
                f"{self.diameter_mm!r} ± {self.diameter_uncertainty_mm!r}"
            )

    @classmethod
    def of(cls, patch: MouldPatch) -> "PatchSighting":
        """A measured patch; u(d) = u(A) · 2 / (π d), by the circle of equal area."""
        return cls(
            patch.x_mm,
            patch.y_mm,
            patch.diameter_mm,
            2 * patch.area_uncertainty_mm2 / (pi * patch.diameter_mm),
            patch.likelihood,
            patch.look,
        )


@dataclass(frozen=True, slots=True)
class Spot:
    """A marked area of a tray: centre in tray mm and diameter of the circle of equal area."""

    x_mm: float
    y_mm: float
    diameter_mm: float


@dataclass(frozen=True, slots=True)
class TrayPhoto:
    """What one photo says about one tray, as far as patches go.

    Parameters
    ----------
    photo_id : str
        Names the photo; the same photo given twice counts once.
    taken_at : datetime
        With a time zone.
    patches : tuple of PatchSighting
    bare_floor : tuple of Spot
        Where the tray's floor shows.
    smallest_patch_mm : float or None
        Diameter of the smallest patch the photo could have shown; None: no patch at all could
        be judged (blurred, fogged, coloured light).
    seen : float
        Share of the opening that could be judged.
    cover : float or None
        Canopy cover, under which patches hide.
    fuzz : float
        All-over fuzz, 0 to 1.
    position_uncertainty_mm : float
        Standard uncertainty of where a patch lies.
    watering : Watering

    Raises
    ------
    ValueError
        If `taken_at` has no time zone or a number is out of range.
    """

    photo_id: str
    taken_at: datetime
    patches: tuple[PatchSighting, ...] = ()
    bare_floor: tuple[Spot, ...] = ()
    smallest_patch_mm: float | None = 5.0
    seen: float = 1.0
    cover: float | None = None
    fuzz: float = 0.0
    position_uncertainty_mm: float = 2.0
    watering: Watering = Watering.UNKNOWN

    def __post_init__(self) -> None:
        if self.taken_at.tzinfo is None:
            raise ValueError(f"taken_at must have a time zone, got {self.taken_at!r}")
        for name in ("seen", "cover", "fuzz"):
            share = getattr(self, name)
            if share is not None and not 0 <= share <= 1:
                raise ValueError(f"{name} must lie from 0 to 1, got {share!r}")
        if not self.position_uncertainty_mm > 0:
            raise ValueError(
                f"position_uncertainty_mm must be positive, got {self.position_uncertainty_mm!r}"
            )

    def could_show(self, diameter_mm: float) -> float:
        """Probability that this photo could show a patch of a diameter, were it there.

        Under a canopy the rest that blades leave open must be large enough.
        """
        smallest = self.smallest_patch_mm
        if smallest is None:
            return 0.0
        spread = _SMALLEST_PATCH_SPREAD * smallest
        cover = self.cover or 0.0
        open_mm = diameter_mm * sqrt(1 - cover)
        chance = (1 + erf((open_mm - smallest) / (sqrt(2) * spread))) / 2
        return self.seen * chance * float(np.interp(cover, _SEEN_COVER, _SEEN_SHARE))


def in_order(photos: Iterable[TrayPhoto]) -> tuple[TrayPhoto, ...]:
    """Photos by time, each once.

    Raises
    ------
    ValueError
        If one `photo_id` comes with two different contents.
    """
    by_id: dict[str, TrayPhoto] = {}
    for photo in photos:
        known = by_id.setdefault(photo.photo_id, photo)
        if known != photo:
            raise ValueError(f"photo_id must name one photo, got two for {photo.photo_id!r}")
    return tuple(sorted(by_id.values(), key=lambda photo: (photo.taken_at, photo.photo_id)))


def hidden_shares(sightings: Sequence[tuple[TrayPhoto, PatchSighting]]) -> list[float]:
    """Share of a patch that blades may hide in each photo, 0 to 1.

    Mould does not shrink, but a canopy closes over it: where a patch measures less than before,
    that much of the difference may be hidden as the canopy covers.
    """
    shares, largest = [], 0.0
    for photo, seen in sightings:
        largest = max(largest, seen.diameter_mm)
        shares.append((photo.cover or 0.0) * (1 - (seen.diameter_mm / largest) ** 2))
    return shares
