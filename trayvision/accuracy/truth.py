"""Photos with truth files: what a rendered or annotated photo really shows.

A photo ``NAME.jpg`` has its truth in ``NAME.json`` and, pixel by pixel, in
``NAME.classes.png``; `sample_images/README.md` describes the fields.
"""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from trayvision.camera.camera import NO_DISTORTION, Camera
from trayvision.reference_kit import TraySize
from trayvision.room_settings import RoomSettings

FloatArray = npt.NDArray[np.float64]

# As judged: a tag counts as readable, or its corners as measurable, from these on.
_READABLE_SHARE = 0.97
_READABLE_EDGE_PX = 20.0


@dataclass(frozen=True, eq=False)
class TrueTag:
    """One tag: (4, 2) corners in upright px, printed order; share of it that is in sight."""

    id: int
    corners_px: FloatArray
    edge_px: float
    visible_share: float
    visible_share_with_quiet_zone: float

    @property
    def readable(self) -> bool:
        """Whether it is wholly in sight and large enough to count as readable."""
        return (
            self.visible_share_with_quiet_zone > _READABLE_SHARE
            and self.edge_px > _READABLE_EDGE_PX
        )


@dataclass(frozen=True)
class TruePatch:
    """One patch of mould; `mm_per_px` and `visible_share` are those of this photo."""

    kind: str
    x_mm: float
    y_mm: float
    area_mm2: float
    diameter_mm: float
    mm_per_px: float
    visible_share: float

    @property
    def diameter_px(self) -> float:
        """Equivalent diameter in px of this photo."""
        return self.diameter_mm / self.mm_per_px

    @property
    def counts(self) -> bool:
        """Whether the goal asks for it: 8 mm and 16 px across, more than a quarter in sight."""
        return self.diameter_mm >= 8 and self.diameter_px >= 16 and self.visible_share > 0.25


@dataclass(frozen=True)
class OtherTray:
    """A second tray in the photo that carries a kit of its own."""

    number: int
    size: TraySize
    readable_tags: int


@dataclass(frozen=True)
class PhotoTruth:
    """What one photo of one tray really shows.

    Parameters
    ----------
    photo, class_mask : Path
        The picture, and the class of each of its pixels (the values of ``--masks``).
    height_band_mm : (float, float) or None
        Median and 90th percentile of the top surface within 40 mm of the strip; None where
        there is no strip.
    light : str
        Kind and colour of the light; equal for equal lights.
    scene : str
        Equal for photos of the very same tray at the very same time.
    tray_seed : int or None
        Equal for photos of the same tray on any day.
    """

    photo: Path
    class_mask: Path
    camera: Camera
    tray_size: TraySize
    tray_number: int
    day: float
    tags: tuple[TrueTag, ...]
    cover: float
    height_band_mm: tuple[float, float] | None
    patches: tuple[TruePatch, ...]
    root_hairs: bool
    light: str
    scene: str
    tray_seed: int | None
    others: tuple[OtherTray, ...] = ()

    @property
    def whole_day(self) -> int:
        """Day of growth as a grower would say it."""
        return round(self.day)

    @property
    def readable_tags(self) -> int:
        """How many of the six tags can be read."""
        return sum(tag.readable for tag in self.tags)

    @property
    def numbers(self) -> set[int]:
        """Numbers of all trays in the photo that carry a kit."""
        return {self.tray_number, *(other.number for other in self.others)}

    @property
    def room(self) -> RoomSettings:
        """What a grower would have told about the sizes of these trays."""
        sizes = {other.number: other.size for other in self.others}
        return RoomSettings(self.tray_size, sizes=sizes | {self.tray_number: self.tray_size})


def find_photos(folder: Path) -> list[PhotoTruth]:
    """All photos of a folder that have a truth file, by name.

    Raises
    ------
    ValueError
        If `folder` holds no photo with a truth file, or one of these cannot be understood.
    """
    found = []
    for path in sorted(folder.glob("*.json")):
        photo = path.with_suffix(".jpg")
        if not photo.exists():
            continue
        try:
            found.append(_photo_truth(photo, json.loads(path.read_text())))
        except (KeyError, TypeError, json.JSONDecodeError) as error:
            raise ValueError(f"{path} must be a truth file, got {error!r}") from error
    if not found:
        raise ValueError(f"folder must hold photos with truth files, got none in {folder}")
    return found


def _photo_truth(photo: Path, fields: dict[str, Any]) -> PhotoTruth:
    heights = fields["canopy_height_mm"]
    low, high = heights.get("height_at_strip_p50"), heights.get("height_at_strip_p90")
    no_band = fields.get("strip") is None or low is None or high is None
    seed, number, day = fields.get("tray_seed"), int(fields["tray_number"]), float(fields["day"])
    return PhotoTruth(
        photo=photo,
        class_mask=_mask_of(photo),
        camera=_camera(fields["camera"]),
        tray_size=_size(fields["tray"]),
        tray_number=number,
        day=day,
        tags=tuple(_tag(tag) for tag in fields["tags"]),
        cover=float(fields["cover_ortho"]),
        height_band_mm=None if no_band else (float(low), float(high)),
        patches=tuple(_patch(patch, fields["camera"]) for patch in fields["mould"]),
        root_hairs=bool(fields["root_hair_fuzz"]),
        light=f"{fields['lighting']['kind']} {fields['lighting'].get('rgb', '')}".strip(),
        scene=f"{seed}/{number}/{day:g}",
        tray_seed=None if seed is None else int(seed),
        others=tuple(_other(other) for other in fields.get("other_trays", ())),
    )


def _mask_of(photo: Path) -> Path:
    """The mask of every tray in the photo, where there is one, else that of the main tray."""
    everything = photo.with_suffix(".all_classes.png")
    return everything if everything.exists() else photo.with_suffix(".classes.png")


def _size(fields: dict[str, Any]) -> TraySize:
    return TraySize(*(float(fields[side]) for side in ("length", "width", "depth")))


def _other(fields: dict[str, Any]) -> OtherTray:
    readable = sum(_tag(tag).readable for tag in fields["tags"])
    return OtherTray(int(fields["tray_number"]), _size(fields["tray"]), readable)


def _camera(fields: dict[str, Any]) -> Camera:
    coefficients = fields.get("distortion") or NO_DISTORTION
    return Camera(
        width=int(fields["width"]),
        height=int(fields["height"]),
        fx=float(fields["fx"]),
        fy=float(fields["fy"]),
        cx=float(fields["cx"]),
        cy=float(fields["cy"]),
        distortion=tuple(float(k) for k in coefficients),
    )


def _tag(fields: dict[str, Any]) -> TrueTag:
    return TrueTag(
        id=int(fields["id"]),
        corners_px=np.array(fields["corners_px"], dtype=np.float64),
        edge_px=float(fields["edge_px"]),
        visible_share=float(fields["visible_fraction"]),
        visible_share_with_quiet_zone=float(fields["visible_fraction_with_quiet_zone"]),
    )


def _patch(fields: dict[str, Any], camera: dict[str, Any]) -> TruePatch:
    x, y = (float(v) for v in fields["centroid_mm"])
    turn, shift = np.array(camera["R_world_to_camera"]), np.array(camera["t_world_to_camera"])
    distance_mm = float((turn @ np.array([x, y, float(fields["z_mm"])]) + shift)[2])
    mm_per_px = distance_mm / float(camera["fx"])
    area_mm2 = float(fields["area_mm2"])
    visible_mm2 = float(fields.get("visible_px", 0)) * mm_per_px**2
    return TruePatch(
        kind=str(fields["kind"]),
        x_mm=x,
        y_mm=y,
        area_mm2=area_mm2,
        diameter_mm=float(fields["equivalent_diameter_mm"]),
        mm_per_px=mm_per_px,
        visible_share=visible_mm2 / max(area_mm2, 1.0),
    )
