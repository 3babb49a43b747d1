"""Inspections as the library records them, made from a few values, and an inspector that gives
them out: photos of these tests are tiny pictures with a comment that says what they show."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from io import BytesIO
from math import pi
from pathlib import Path
from typing import Any

from PIL import Image, ImageDraw

from service.photos.inspection_job import InspectedPhoto, InspectionJob
from trayvision.measures.bed_height import ASSUMED_BED_HEIGHT
from trayvision.pose.marked_tray import CORNER_NAMES, MarkedTray

SIZE_MM = (540, 280)
_WITHOUT_KIT = {"pose": None, "sharpness": None, "doubts": ["no_kit"]}
BED, MOULD = (110, 80, 50), (255, 255, 255)


def patch(diameter_mm: float, likelihood: float, **place: float) -> dict[str, Any]:
    """A candidate patch of mould as a record has it."""
    area = pi * diameter_mm**2 / 4
    return {
        "look": "white fuzz",
        "likelihood": likelihood,
        "confused_with": [],
        "x_mm": place.get("x", -120.0),
        "y_mm": place.get("y", 60.0),
        "area_mm2": area,
        "area_uncertainty_mm2": 0.1 * area,
        "visible_area_mm2": area,
        "diameter_mm": diameter_mm,
        "outline_mm": [],
    }


def value(number: float | None, uncertainty: float | None = None) -> dict[str, Any]:
    if number is None:
        return {"value": None, "uncertainty": None, "reason": "no_shoots", "remark": "none yet"}
    return {"value": number, "uncertainty": 0.01 if uncertainty is None else uncertainty}


def _pose(said: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "reprojection_rms_px": 0.2,
        "camera_height_mm": 500.0,
        "camera_height_uncertainty_mm": 2.0,
        "focal_length_from": "exif",
        "tags": [6, 7],
        "corners_px": said.get("corners_px", {"6": [[1.0, 2.0]] * 4, "7": [[5.0, 2.0]] * 4}),
    }


def _sharpness(said: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "edge_spread_px": value(1.5, 0.15),
        "edge_spread_mm": value(0.8, 0.08),
        "smallest_patch_mm": value(said.get("smallest_patch_mm", 4.0), 0.8),
        "mm_per_px": 0.5,
    }


def tray_record(number: int | None, **said: Any) -> dict[str, Any]:
    height = said.get("height_mm")
    return {
        "tray": number,
        "day": said.get("day"),
        "pose": _pose(said),
        "marked": None,
        "cover": value(said.get("cover", 0.5)),
        "cover_as_seen": said.get("cover", 0.5),
        "canopy_height_mm": value(None if height is None else height + 15.0, 2.0),
        "shoot_height_mm": value(height, 3.0),
        "bed_height_mm": value(None),
        "colour": {
            name: value(0.1)
            for name in (
                *("lightness", "a", "b", "chroma", "hue_angle_deg"),
                "dark_green_colour_index",
            )
        }
        | {"yellow_share": value(said.get("yellow_share", 0.1))},
        "evenness": {
            "cover_variation": value(0.1),
            "colour_variation": value(0.1),
            "seed_layer": value(None),
            "bare_floor": [],
            "bare_areas": said.get("bare_areas", []),
        },
        "seen": 0.98,
        "sharpness": _sharpness(said),
        "light": {
            "white_point_xy": [0.31, 0.33],
            "white_point_uncertainty_xy": [0.003, 0.004],
            "duv": 0.0,
            "duv_uncertainty": 0.001,
            "unevenness": 0.1,
            "unevenness_uncertainty": 0.12,
            "clipped_share": 0.0,
            "coloured": False,
        },
        "fuzz": said.get("fuzz", 0.0),
        "mould": said.get("mould", []),
        "slime": said.get("slime", []),
        "score": {"value": 80, "parts": [], **said.get("score", {})},
        "doubts": said.get("doubts", []),
        "remarks": [],
    } | (_WITHOUT_KIT if said.get("without_kit") else _heights(said))


def _heights(said: Mapping[str, Any]) -> dict[str, Any]:
    """Of a photo that tells its canopy's height: the shoots' above the bed that the job knows."""
    if "canopy_mm" not in said:
        return {}
    bed = said.get("bed") or ASSUMED_BED_HEIGHT
    return {
        "canopy_height_mm": value(said["canopy_mm"], 2.0),
        "shoot_height_mm": value(max(0.0, said["canopy_mm"] - bed.value), 3.0),
        "bed_height_mm": value(bed.value, bed.uncertainty),
    }


def marked_record(marked: MarkedTray, **said: Any) -> dict[str, Any]:
    """A tray that somebody marked: its corners, and nothing in millimetres."""
    corners = zip(CORNER_NAMES, marked.corners_px, strict=True)
    return tray_record(marked.number, doubts=["corners_by_hand", "no_kit"], **said) | {
        "pose": None,
        "sharpness": None,
        "marked": {
            "corners_px": {name: list(corner) for name, corner in corners},
            "typed_size": str(marked.size),
        },
    }


def photo_record(name: str, trays: list[dict[str, Any]], problem: str | None) -> dict[str, Any]:
    return {
        "file": name,
        "sha256": None,
        "taken_at": None,
        "width": 400,
        "height": 300,
        "problem": problem,
        "trays": trays,
        "not_measured": [],
        "remarks": [],
    }


def photo_bytes(*trays: dict[str, Any], taken_at: str | None = None, note: str = "") -> bytes:
    """A photo of these tests; every `note` makes other bytes of the same picture."""
    return picture_saying(json.dumps({"trays": trays, "taken_at": taken_at, "note": note}))


def picture_saying(words: str) -> bytes:
    """A whole JPEG, too small to be measured, with words in its comment (T.81, B.2.4.5)."""
    comment = words.encode()
    length = (len(comment) + 2).to_bytes(2, "big")
    return _TINY[:2] + b"\xff\xfe" + length + comment + _TINY[2:]


def _tiny() -> bytes:
    file = BytesIO()
    Image.new("RGB", (5, 3), BED).save(file, "JPEG", optimize=True)
    return file.getvalue()


_TINY = _tiny()


def _said(path: Path) -> Any:
    """What a photo of `photo_bytes` says of itself."""
    with Image.open(path) as picture:
        return json.loads(picture.info["comment"])


@dataclass
class RecordedInspector:
    """Reads what a photo of `photo_bytes` says of itself; counts its work."""

    jobs: list[InspectionJob] = field(default_factory=list)

    def inspect(self, job: InspectionJob) -> InspectedPhoto:
        self.jobs.append(job)
        taken_at, source, said_at = job.believed(None, "")
        if job.marked is not None:
            day = _day(job, job.marked.number, taken_at)
            record = photo_record(job.name, [marked_record(job.marked, day=day)], None)
            return InspectedPhoto(record, taken_at, source, {"overlay.jpg": b"drawn"})
        try:
            said: Mapping[str, Any] = _said(job.path)
            shown = list(said["trays"])
        except (OSError, ValueError, KeyError, TypeError):
            record = photo_record(job.name, [], "No tag of the reference kit could be read.")
            pictures = {"thumbnail.jpg": b"small", "photo.jpg": b"plain"}
            return InspectedPhoto(record, taken_at, source, pictures)
        if said["taken_at"] is not None:
            moment = datetime.fromisoformat(said["taken_at"]).astimezone(UTC)
            taken_at, source, said_at = job.believed(moment, "photo")
        trays = [tray_record(**{**_known(job, tray["number"], taken_at), **tray}) for tray in shown]
        pictures = {"thumbnail.jpg": b"small", "photo.jpg": b"plain", "overlay.jpg": b"drawn"}
        pictures |= {f"tray-{tray['number']}.jpg": _view(tray) for tray in shown}
        record = photo_record(job.name, trays, None)
        return InspectedPhoto(record, taken_at, source, pictures, said_at)

    def close(self) -> None:
        pass


def _view(tray: Mapping[str, Any]) -> bytes:
    """Bytes that stand for a view; with `drawn`, a brown bed with white patches on it."""
    if not tray.get("drawn"):
        return b"view"
    view = Image.new("RGB", SIZE_MM, BED)
    draw = ImageDraw.Draw(view)
    for patch in tray["mould"]:
        x, y = SIZE_MM[0] / 2 + patch["x_mm"], SIZE_MM[1] / 2 - patch["y_mm"]
        reach = patch["diameter_mm"] / 2
        draw.ellipse((x - reach, y - reach, x + reach, y + reach), fill=MOULD)
    file = BytesIO()
    view.save(file, "JPEG", quality=95)
    return file.getvalue()


def _known(job: InspectionJob, number: int | None, taken_at: datetime) -> dict[str, Any]:
    beds = job.beds.get(number if number is not None else -1, ())
    held = [bed for since, until, bed in beds if since <= taken_at < until]
    return {"day": _day(job, number, taken_at), "bed": held[0] if held else None}


def _day(job: InspectionJob, number: int | None, taken_at: datetime) -> float | None:
    for begins_at, until, spread_at in job.runs.get(number if number is not None else -1, ()):
        if begins_at <= taken_at < until:
            return (taken_at - spread_at).total_seconds() / 86400
    return None
