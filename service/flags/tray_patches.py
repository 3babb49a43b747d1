"""Candidate patches of mould on one tray, followed from photo to photo, as its page shows them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from service.room.room_log import Row
from trayvision.attention.readings import reading_of_record
from trayvision.warning.patch_growth import GrowthRate, growth_rate
from trayvision.warning.patch_sighting import PatchSighting, Watering
from trayvision.warning.patch_tracking import TrackedPatch, track_patches

# Fainter candidates that no second photo shows are counted and not shown: about every third photo
# of a clean tray has one.
_LEAST_LIKELIHOOD: Final = 0.3


@dataclass(frozen=True)
class PatchSeen:
    """A patch in one photo.

    Parameters
    ----------
    photo_id : int
    taken_at : datetime
    sighting : PatchSighting or None
        None where the photo does not show it.
    could_show : float
        Probability that the photo would have shown one as large as it was before.
    """

    photo_id: int
    taken_at: datetime
    sighting: PatchSighting | None
    could_show: float


@dataclass(frozen=True)
class FollowedPatch:
    """One place on a tray over the photos since it was first seen.

    Parameters
    ----------
    seen : tuple of PatchSeen
        In order of time; the first one is a sighting.
    growth : GrowthRate or None
        Of its radius; None with one sighting.
    """

    seen: tuple[PatchSeen, ...]
    growth: GrowthRate | None

    @property
    def first(self) -> PatchSighting:
        """As it was first seen: its place there names it in flags."""
        found = self.seen[0].sighting
        assert found is not None
        return found

    @property
    def likelihood(self) -> float:
        """The largest that one photo alone gave."""
        return max(one.sighting.likelihood for one in self.seen if one.sighting is not None)


@dataclass(frozen=True)
class TrayPatches:
    """Patches of one run of one tray, the likeliest first, and how many were too faint to show."""

    followed: tuple[FollowedPatch, ...]
    fainter: int


def tray_patches(rows: Sequence[Row]) -> TrayPatches:
    """Follow the patches of one run.

    Parameters
    ----------
    rows : sequence of Row
        Its rows as `service.photos.inspection_log.tray_rows` gives them.
    """
    photos = {
        str(row["photo_id"]): reading_of_record(
            row["record"],
            photo_id=str(row["photo_id"]),
            taken_at=row["taken_at"],
            watering=Watering(row["watering"]),
        ).photo
        for row in rows
    }
    found = [_followed(track) for track in track_patches(photos.values())]
    shown = [one for one in found if one.likelihood >= _LEAST_LIKELIHOOD or _sightings(one) > 1]
    shown.sort(key=lambda one: (-one.likelihood, one.seen[0].taken_at))
    return TrayPatches(tuple(shown), len(found) - len(shown))


def _followed(track: TrackedPatch) -> FollowedPatch:
    seen, largest = [], 0.0
    for event in track.events:
        if event.sighting is not None:
            largest = max(largest, event.sighting.diameter_mm)
        seen.append(
            PatchSeen(
                int(event.photo.photo_id),
                event.photo.taken_at,
                event.sighting,
                event.photo.could_show(largest),
            )
        )
    return FollowedPatch(tuple(seen), growth_rate(track.sightings))


def _sightings(patch: FollowedPatch) -> int:
    return sum(one.sighting is not None for one in patch.seen)
