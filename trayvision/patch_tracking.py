"""Candidate patches of a tray followed from photo to photo, in tray millimetres.

A patch that a photo could not have shown (hidden, blurred, too small for it) is missing
evidence there, not evidence of absence.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from math import erf, hypot, isfinite, pi, sqrt
from typing import Final

import numpy as np
from scipy.optimize import linear_sum_assignment

from trayvision.mould import MouldPatch

# Radial growth that no candidate exceeds: the fastest of 16 isolates at its best temperature
# (J. Fungi 2023 9:294, Table 5).
FASTEST_MM_PER_DAY: Final = 33.6
# The centre of a patch that grows to one side moves by at most that share of the growth.
_CENTRE_MOVES: Final = 0.5
_GATE_SIGMAS: Final = 3.0
_FORBIDDEN: Final = 1e9
_SMALLEST_PATCH_SPREAD: Final = 0.2


class Watering(StrEnum):
    """Whether a photo was taken just before or just after water came."""

    BEFORE = "before"
    AFTER = "after"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, order=True)
class PatchSighting:
    """One candidate patch in one photo, as `trayvision.mould` reads it.

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
class TrayPhoto:
    """What one photo says about one tray, as far as patches go.

    Parameters
    ----------
    photo_id : str
        Names the photo; the same photo given twice counts once.
    taken_at : datetime
        With a time zone.
    patches : tuple of PatchSighting
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
        """Probability that this photo could show a patch of a diameter, were it there."""
        smallest = self.smallest_patch_mm
        if smallest is None:
            return 0.0
        spread = _SMALLEST_PATCH_SPREAD * smallest
        large_enough = (1 + erf((diameter_mm - smallest) / (sqrt(2) * spread))) / 2
        return self.seen * (1 - (self.cover or 0.0)) * large_enough


@dataclass(frozen=True, slots=True)
class PatchEvent:
    """One photo in the life of a followed patch; `sighting` is None where it was not seen."""

    photo: TrayPhoto
    sighting: PatchSighting | None


@dataclass(frozen=True, slots=True)
class TrackedPatch:
    """One place on a tray, followed over all photos from its first sighting on.

    Parameters
    ----------
    events : tuple of PatchEvent
        In order of time; the first one is a sighting.
    """

    events: tuple[PatchEvent, ...]

    @property
    def sightings(self) -> tuple[tuple[TrayPhoto, PatchSighting], ...]:
        """The photos that show it."""
        return tuple((e.photo, e.sighting) for e in self.events if e.sighting is not None)

    @property
    def last(self) -> tuple[TrayPhoto, PatchSighting]:
        """The latest photo that shows it."""
        return self.sightings[-1]

    @property
    def largest_mm(self) -> float:
        """Largest diameter seen so far."""
        return max(sighting.diameter_mm for _, sighting in self.sightings)


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


def track_patches(photos: Iterable[TrayPhoto]) -> tuple[TrackedPatch, ...]:
    """Follow every candidate patch of one run of one tray.

    Each photo's patches are assigned to the places known so far at the least total squared
    distance in units of the gate (Hungarian method); what finds no place within its gate opens
    a new one.

    Parameters
    ----------
    photos : iterable of TrayPhoto
        In any order.

    Returns
    -------
    tuple of TrackedPatch
        In order of first sighting, then of place.

    Raises
    ------
    ValueError
        If one `photo_id` comes with two different contents.
    """
    ordered = in_order(photos)
    places: list[dict[int, PatchSighting]] = []
    for index, photo in enumerate(ordered):
        patches = sorted(photo.patches)
        assigned = _assign(places, patches, ordered, index)
        for which, patch in enumerate(patches):
            if which in assigned:
                places[assigned[which]][index] = patch
            else:
                places.append({index: patch})
    return tuple(
        TrackedPatch(
            tuple(
                PatchEvent(photo, place.get(index))
                for index, photo in enumerate(ordered)
                if index >= min(place)
            )
        )
        for place in places
    )


def _assign(
    places: Sequence[dict[int, PatchSighting]],
    patches: Sequence[PatchSighting],
    ordered: Sequence[TrayPhoto],
    index: int,
) -> dict[int, int]:
    """Which place each patch of a photo belongs to."""
    if not places or not patches:
        return {}
    cost = np.full((len(patches), len(places)), _FORBIDDEN)
    for column, place in enumerate(places):
        last = max(place)
        for row, patch in enumerate(patches):
            apart = _apart(ordered[last], place[last], ordered[index], patch)
            if apart <= 1:
                cost[row, column] = apart**2
    rows, columns = linear_sum_assignment(cost)
    return {
        int(row): int(column)
        for row, column in zip(rows, columns, strict=True)
        if cost[row, column] < _FORBIDDEN
    }


def _apart(
    earlier: TrayPhoto, before: PatchSighting, later: TrayPhoto, now: PatchSighting
) -> float:
    """Distance of two sightings in units of the gate: within 1 they may be one patch."""
    days = (later.taken_at - earlier.taken_at).total_seconds() / 86400
    blur = hypot(earlier.position_uncertainty_mm, later.position_uncertainty_mm)
    grown = max(0.0, (now.diameter_mm - before.diameter_mm) / 2)
    moved = _CENTRE_MOVES * min(grown, FASTEST_MM_PER_DAY * days)
    # A candidate's outline differs from photo to photo by a share of its size.
    ragged = before.diameter_mm / 4
    gate = _GATE_SIGMAS * blur + moved + ragged
    return hypot(now.x_mm - before.x_mm, now.y_mm - before.y_mm) / gate
