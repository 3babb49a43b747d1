"""Candidate patches of a tray followed from photo to photo, in tray millimetres.

A patch that a photo could not have shown (hidden, blurred, too small for it) is missing
evidence there, not evidence of absence.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import hypot, sqrt
from typing import Final

import numpy as np
from scipy.optimize import linear_sum_assignment

from trayvision.warning.patch_growth import PUBLISHED_ISOLATES
from trayvision.warning.patch_sighting import PatchSighting, TrayPhoto, in_order

# Radial growth that no candidate exceeds: that of the fastest isolate at its best temperature.
FASTEST_MM_PER_DAY: Final = max(isolate.max_mm_per_day for isolate in PUBLISHED_ISOLATES)
# The centre of a patch that grows to one side moves by about that share of the growth.
_CENTRE_MOVES: Final = 0.5
_GATE_SIGMAS: Final = 3.0
_FORBIDDEN: Final = 1e9
# A photo speaks against a patch that it does not show and would with this probability.
SPEAKS_AGAINST: Final = 0.5


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
    before : tuple of TrayPhoto
        The run's photos before it, in order of time.
    """

    events: tuple[PatchEvent, ...]
    before: tuple[TrayPhoto, ...] = ()

    @property
    def sightings(self) -> tuple[tuple[TrayPhoto, PatchSighting], ...]:
        """The photos that show it."""
        return tuple((e.photo, e.sighting) for e in self.events if e.sighting is not None)

    @property
    def last(self) -> tuple[TrayPhoto, PatchSighting]:
        """The latest photo that shows it."""
        return self.sightings[-1]

    @property
    def standing_likelihood(self) -> float:
        """Largest likelihood in one photo that no later photo speaks against.

        A photo speaks against it that does not show the patch, though it likely would.
        """
        standing, known = 0.0, self.last[1]
        for event in self.events:
            if event.sighting is not None:
                known = event.sighting
                standing = max(standing, known.likelihood)
            elif event.photo.could_show(known.diameter_mm) >= SPEAKS_AGAINST:
                standing = 0.0
        return standing

    @property
    def largest_mm(self) -> float:
        """Largest diameter seen so far."""
        return max(sighting.diameter_mm for _, sighting in self.sightings)


def track_patches(photos: Iterable[TrayPhoto]) -> tuple[TrackedPatch, ...]:
    """Follow every candidate patch of one run of one tray.

    Pieces of a photo that lie within a known patch, cut apart by blades, are joined first. Each
    photo's patches are then assigned to the places known so far at the least total squared
    distance in units of the gate (Hungarian method); what finds no place within its gate opens a
    new one.

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
        patches = _joined(places, sorted(photo.patches))
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
            ),
            ordered[: min(place)],
        )
        for place in places
    )


def _joined(
    places: Sequence[dict[int, PatchSighting]], patches: Sequence[PatchSighting]
) -> list[PatchSighting]:
    """Patches, those that lie together inside one known patch as one."""
    free = list(patches)
    joined = []
    for place in sorted(places, key=lambda known: -_largest(known)):
        centre, reach = place[max(place)], _largest(place) / 2
        inside = [
            one for one in free if hypot(one.x_mm - centre.x_mm, one.y_mm - centre.y_mm) <= reach
        ]
        if len(inside) > 1:
            free = [one for one in free if one not in inside]
            joined.append(_one_of(inside))
    return sorted([*free, *joined])


def _largest(place: dict[int, PatchSighting]) -> float:
    return max(sighting.diameter_mm for sighting in place.values())


def _one_of(pieces: Sequence[PatchSighting]) -> PatchSighting:
    """One patch of the pieces' whole area."""
    weights = [piece.diameter_mm**2 for piece in pieces]
    total = sum(weights)
    diameter = sqrt(total)
    variance = sum((p.diameter_mm * p.diameter_uncertainty_mm) ** 2 for p in pieces)
    return PatchSighting(
        x_mm=sum(w * p.x_mm for w, p in zip(weights, pieces, strict=True)) / total,
        y_mm=sum(w * p.y_mm for w, p in zip(weights, pieces, strict=True)) / total,
        diameter_mm=diameter,
        diameter_uncertainty_mm=sqrt(variance) / diameter,
        likelihood=max(piece.likelihood for piece in pieces),
        look=max(pieces, key=lambda piece: piece.diameter_mm).look,
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
    grown = min(grown, FASTEST_MM_PER_DAY * days)
    # A candidate's outline differs from photo to photo by a share of its size.
    ragged = before.diameter_mm / 4
    near = _GATE_SIGMAS * blur + _CENTRE_MOVES * grown + ragged
    # Where a patch was, a larger one is the same: in a corner the centre moves more than the edge.
    overgrown = blur + before.diameter_mm / 2 + grown
    gate = max(near, overgrown)
    return hypot(now.x_mm - before.x_mm, now.y_mm - before.y_mm) / gate
