"""What one photo says about one tray, as attention works on it, taken from its record."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import pi, sqrt
from typing import Any, Final

from trayvision.measurement import Measurement
from trayvision.quality_flags import Doubt
from trayvision.warning.patch_sighting import PatchSighting, Spot, TrayPhoto, Watering

# Under these no patch can be judged, whatever the photo seems to show.
_BLIND: Final = {Doubt.BLURRED, Doubt.FOGGED, Doubt.COLOURED_LIGHT, Doubt.GREYSCALE}
# Under these shoots cannot be told from the rest: the cover of such a photo accuses no tray.
_WITHOUT_COLOUR: Final = {Doubt.COLOURED_LIGHT, Doubt.GREYSCALE}
_POSITION_MM: Final = 2.0
_POSITION_FAR_END_MM: Final = 6.0
_LOOSELY_PLACED: Final = frozenset({Doubt.FAR_END_LESS_EXACT, Doubt.SIZE_DOUBTFUL})
# An area of a record without its own uncertainty is known to about that share.
_AREA_SHARE: Final = 0.2


@dataclass(frozen=True, slots=True)
class UnplacedPatch:
    """A candidate patch in a photo without millimetres: how it looks, how likely it is mould."""

    look: str
    likelihood: float


@dataclass(frozen=True, slots=True)
class TrayReading:
    """What one photo says about one tray.

    Parameters
    ----------
    photo : TrayPhoto
        Name, moment, candidate patches and what the photo could show.
    shoot_height_mm : Measurement or None
    cover_uncertainty : float
        Standard uncertainty of the photo's cover.
    yellow_share, cover_variation, seed_layer_share : float or None
        As in the inspection; None where not measured.
    bare, slime, standing_water : tuple of Spot
    doubts : tuple of Doubt
    in_mm : bool
        False for a photo without the kit: there is no straight-down view of the tray.
    unplaced : tuple of UnplacedPatch or None
        Candidate patches of such a photo, which have no size and cannot be followed; None where
        it could not show any.
    """

    photo: TrayPhoto
    shoot_height_mm: Measurement | None = None
    cover_uncertainty: float = 0.015
    yellow_share: float | None = None
    cover_variation: float | None = None
    seed_layer_share: float | None = None
    bare: tuple[Spot, ...] = ()
    slime: tuple[Spot, ...] = ()
    standing_water: tuple[Spot, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    in_mm: bool = True
    unplaced: tuple[UnplacedPatch, ...] | None = None

    @property
    def height_mm(self) -> float | None:
        """Shoot height, None where not measured."""
        return None if self.shoot_height_mm is None else self.shoot_height_mm.value


def reading_of_record(
    record: Mapping[str, Any],
    *,
    photo_id: str,
    taken_at: datetime,
    watering: Watering = Watering.UNKNOWN,
) -> TrayReading:
    """The reading of one entry of ``"trays"`` of an inspection record.

    Parameters
    ----------
    record : mapping
        As `trayvision inspect --json` prints it for one tray. Without a pose (whole photos) it
        has no millimetres: its patches are `unplaced`, nothing is followed in it.
    photo_id : str
    taken_at : datetime
        With a time zone.
    watering : Watering

    Raises
    ------
    KeyError
        If the record lacks a fixed name.
    """
    doubts = tuple(doubt for name in record.get("doubts", ()) if (doubt := Doubt.named(name)))
    placed = record["pose"] is not None
    evenness, seed_layer = record["evenness"], _number(record["evenness"]["seed_layer"])
    floor_shows = seed_layer is not None
    photo = TrayPhoto(
        photo_id=photo_id,
        taken_at=taken_at,
        patches=tuple(_sighting(one) for one in record["mould"]) if placed else (),
        bare_floor=_spots(evenness["bare_floor"]) if placed else (),
        smallest_patch_mm=_smallest_patch(record, doubts) if placed else None,
        seen=float(record["seen"]),
        cover=None if _WITHOUT_COLOUR & set(doubts) else _share(_number(record["cover"])),
        fuzz=_share(record["fuzz"]) or 0.0,
        position_uncertainty_mm=(
            _POSITION_FAR_END_MM if _LOOSELY_PLACED & set(doubts) else _POSITION_MM
        ),
        watering=watering,
    )
    return TrayReading(
        photo=photo,
        shoot_height_mm=_height(record["shoot_height_mm"]),
        cover_uncertainty=float(record["cover"]["uncertainty"] or 0.0),
        yellow_share=_number(record["colour"]["yellow_share"]),
        cover_variation=_number(evenness["cover_variation"]),
        seed_layer_share=seed_layer,
        bare=_spots(evenness["bare_floor" if floor_shows else "bare_areas"]) if placed else (),
        slime=_spots(record["slime"]) if placed else (),
        doubts=doubts,
        in_mm=placed,
        unplaced=None if placed or _BLIND & set(doubts) else _unplaced(record),
    )


def reading_of_a_part(reading: TrayReading) -> TrayReading:
    """A reading of a tray in which only a part of its growth lies, without what is no sign then.

    Bare floor is no fault, and cover and the height of one end say nothing of how it grows;
    mould, slime and yellowing are seen as ever.
    """
    return replace(
        reading,
        photo=replace(reading.photo, cover=None),
        shoot_height_mm=None,
        cover_variation=None,
        seed_layer_share=None,
        bare=(),
    )


def _unplaced(record: Mapping[str, Any]) -> tuple[UnplacedPatch, ...]:
    return tuple(
        UnplacedPatch(str(one["look"]), float(one["likelihood"])) for one in record["mould"]
    )


def _number(entry: Mapping[str, Any]) -> float | None:
    value = entry["value"]
    return None if value is None else float(value)


def _share(value: float | None) -> float | None:
    return None if value is None else min(max(float(value), 0.0), 1.0)


def _height(entry: Mapping[str, Any]) -> Measurement | None:
    if entry["value"] is None:
        return None
    return Measurement(float(entry["value"]), float(entry["uncertainty"]), "mm")


def _sighting(patch: Mapping[str, Any]) -> PatchSighting:
    area, diameter = float(patch["area_mm2"]), float(patch["diameter_mm"])
    uncertainty = float(patch.get("area_uncertainty_mm2", _AREA_SHARE * area))
    return PatchSighting(
        x_mm=float(patch["x_mm"]),
        y_mm=float(patch["y_mm"]),
        diameter_mm=diameter,
        diameter_uncertainty_mm=2 * uncertainty / (pi * diameter),
        likelihood=float(patch["likelihood"]),
        look=str(patch["look"]),
    )


def _smallest_patch(record: Mapping[str, Any], doubts: Sequence[Doubt]) -> float | None:
    if _BLIND & set(doubts) or record["sharpness"] is None:
        return None
    return _number(record["sharpness"]["smallest_patch_mm"])


def _spots(areas: Sequence[Mapping[str, Any]]) -> tuple[Spot, ...]:
    return tuple(
        Spot(float(one["x_mm"]), float(one["y_mm"]), 2 * sqrt(float(one["area_mm2"]) / pi))
        for one in areas
    )
