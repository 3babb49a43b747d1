"""An inspection as the plain record that `--json` prints and the service keeps.

Names and meanings are fixed: others script against them. Fields may be added.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

from trayvision.inspection.inspection import Inspection, TrayInspection
from trayvision.measurement import Measurement
from trayvision.measures.evenness import Area
from trayvision.measures.mould import MouldPatch, SlimePatch
from trayvision.pose.marked_tray import CORNER_NAMES, MarkedTray
from trayvision.pose.tray_pose import TrayPose
from trayvision.quality_flags import Doubt, PhotoProblem

Record = dict[str, Any]


def photo_record(inspection: Inspection) -> Record:
    """The record of one measured photo: an entry of ``{"photos": […]}``, JSON-ready."""
    photo = inspection.photo
    problem = None
    if not inspection.trays:
        problem = " ".join(problem.sentence for problem in inspection.problems)
    return {
        "file": photo.name,
        "sha256": photo.sha256,
        "taken_at": None if photo.taken_at is None else photo.taken_at.isoformat(),
        "width": photo.width,
        "height": photo.height,
        "problem": problem,
        "trays": [_tray_record(tray) for tray in inspection.trays],
        "not_measured": [
            {
                "tray": problem.number,
                "doubts": [str(doubt) for doubt in problem.doubts],
                "problem": problem.sentence,
            }
            for problem in inspection.problems
        ],
        "remarks": [doubt.sentence for doubt in photo.doubts],
    }


def problem_record(file: str, problem: PhotoProblem) -> Record:
    """The record of a photo that could not be measured at all."""
    return {
        "file": file,
        "sha256": None,
        "taken_at": None,
        "width": None,
        "height": None,
        "problem": str(problem),
        "trays": [],
        "not_measured": [],
        "remarks": [doubt.sentence for doubt in problem.doubts],
    }


def _tray_record(tray: TrayInspection) -> Record:
    colour, evenness, light = tray.colour, tray.evenness, tray.light
    return {
        "tray": tray.number,
        "day": tray.day,
        "pose": _pose_record(tray.pose) if tray.pose is not None and tray.in_mm else None,
        "marked": None if tray.marked is None else _marked_record(tray.marked),
        "cover": _value(tray.cover.cover),
        "cover_as_seen": _rounded(tray.cover.as_seen, 4),
        "canopy_height_mm": _value(tray.height.canopy_height_mm),
        "shoot_height_mm": _value(tray.height.shoot_height_mm),
        "bed_height_mm": _value(tray.height.bed_height_mm),
        "colour": {
            "lightness": _value(colour.lightness),
            "a": _value(colour.a),
            "b": _value(colour.b),
            "chroma": _value(colour.chroma),
            "hue_angle_deg": _value(colour.hue_angle_deg),
            "dark_green_colour_index": _value(colour.dark_green_colour_index),
            "yellow_share": _value(colour.yellow_share),
        },
        "evenness": {
            "cover_variation": _value(evenness.cover_variation),
            "colour_variation": _value(evenness.colour_variation),
            "seed_layer": _value(evenness.seed_layer),
            "bare_floor": [_area_record(tray, area) for area in evenness.bare_floor],
            "bare_areas": [_area_record(tray, area) for area in evenness.bare_areas],
        },
        "seen": _rounded(tray.plan.seen, 4),
        "sharpness": None if tray.sharpness is None else _sharpness_record(tray),
        "light": {
            "white_point_xy": _point(light.white_point_xy, 4),
            "white_point_uncertainty_xy": _point(light.white_point_uncertainty_xy, 4),
            "duv": _rounded(light.duv, 4),
            "duv_uncertainty": _rounded(light.duv_uncertainty, 4),
            "unevenness": _rounded(light.unevenness.value, 3),
            "unevenness_uncertainty": _rounded(light.unevenness.uncertainty, 3),
            "clipped_share": _rounded(light.clipped_share, 4),
            "coloured": light.coloured,
        },
        "fuzz": _rounded(tray.mould.fuzz, 3),
        "mould": [_patch_record(tray, patch) for patch in tray.mould.patches],
        "slime": [_slime_record(tray, patch) for patch in tray.mould.slime],
        "score": tray.score.record(),
        "doubts": [str(doubt) for doubt in tray.doubts],
        "remarks": [doubt.sentence for doubt in tray.doubts],
    }


def _pose_record(pose: TrayPose) -> Record:
    height = pose.camera_height_mm
    return {
        "reprojection_rms_px": _rounded(pose.reprojection_rms_px, 3),
        "camera_height_mm": _rounded(height.value, 1),
        "camera_height_uncertainty_mm": _rounded(height.uncertainty, 1),
        "focal_length_from": str(pose.camera.source),
        "tags": sorted(tag.id for tag in pose.tags),
        "corners_px": {
            str(tag.id): [[round(float(x), 3), round(float(y), 3)] for x, y in tag.corners_px]
            for tag in sorted(pose.tags, key=lambda tag: tag.id)
        },
    }


def _marked_record(marked: MarkedTray) -> Record:
    return {
        "corners_px": {
            name: [round(x, 1), round(y, 1)]
            for name, (x, y) in zip(CORNER_NAMES, marked.corners_px, strict=True)
        },
        "typed_size": str(marked.size),
    }


def _sharpness_record(tray: TrayInspection) -> Record:
    assert tray.sharpness is not None
    return {
        "edge_spread_px": _value(tray.sharpness.edge_spread_px),
        "edge_spread_mm": _value(tray.sharpness.edge_spread_mm),
        "smallest_patch_mm": _value(tray.sharpness.smallest_patch_mm),
        "mm_per_px": _rounded(tray.sharpness.mm_per_px, 4),
    }


def _patch_record(tray: TrayInspection, patch: MouldPatch) -> Record:
    record: Record = {
        "look": patch.look,
        "likelihood": round(patch.likelihood, 3),
        "confused_with": list(patch.confusions),
    }
    if not tray.in_mm:
        return record | _without_mm(tray, patch.x_mm, patch.y_mm, patch.area_mm2)
    return record | {
        "x_mm": round(patch.x_mm, 1),
        "y_mm": round(patch.y_mm, 1),
        "area_mm2": round(patch.area_mm2, 1),
        "area_uncertainty_mm2": round(patch.area_uncertainty_mm2, 1),
        "visible_area_mm2": round(patch.visible_area_mm2, 1),
        "diameter_mm": round(patch.diameter_mm, 1),
        "outline_mm": _points(patch.outline_mm),
    }


def _slime_record(tray: TrayInspection, patch: SlimePatch) -> Record:
    if not tray.in_mm:
        return _without_mm(tray, patch.x_mm, patch.y_mm, patch.area_mm2)
    return {
        "x_mm": round(patch.x_mm, 1),
        "y_mm": round(patch.y_mm, 1),
        "area_mm2": round(patch.area_mm2, 1),
    }


def _without_mm(tray: TrayInspection, x: float, y: float, area: float) -> Record:
    return (_in_shares if tray.marked is not None else _in_pixels)(tray, x, y, area)


def _in_shares(tray: TrayInspection, x: float, y: float, area: float) -> Record:
    """Place and size on a marked tray: from its left side, from its near side, of the opening."""
    grid = tray.plan.grid
    return {
        "x_share": round(x / grid.length_mm + 0.5, 3),
        "y_share": round(y / grid.width_mm + 0.5, 3),
        "area_share": round(area / (grid.length_mm * grid.width_mm), 5),
    }


def _in_pixels(tray: TrayInspection, x: float, y: float, area: float) -> Record:
    """Place and size on a whole photo, whose plan counts crop pixels, in full-size pixels."""
    to_crop = tray.segmented.photo_to_crop
    column, row = tray.plan.grid.to_px(np.asarray(x), np.asarray(y))
    at = np.linalg.solve(to_crop[:, :2], np.array([column, row]) - to_crop[:, 2])
    return {
        "x_px": round(float(at[0]), 1),
        "y_px": round(float(at[1]), 1),
        "area_px": round(area / abs(float(np.linalg.det(to_crop[:, :2]))), 1),
    }


def _area_record(tray: TrayInspection, area: Area) -> Record:
    if not tray.in_mm:
        return _without_mm(tray, area.x_mm, area.y_mm, area.area_mm2)
    return {
        "x_mm": round(area.x_mm, 1),
        "y_mm": round(area.y_mm, 1),
        "area_mm2": round(area.area_mm2, 1),
        "outline_mm": _points(area.outline_mm),
    }


def _value(measurement: Measurement) -> Record:
    """Value and uncertainty, with two digits of the uncertainty, or the reason for none."""
    if measurement.value is None or measurement.uncertainty is None:
        reason = Doubt.named(measurement.reason)
        return {
            "value": None,
            "uncertainty": None,
            "reason": measurement.reason,
            "remark": None if reason is None else reason.sentence,
        }
    digits = 6
    if measurement.uncertainty > 0:
        digits = max(0, min(6, 1 - int(np.floor(np.log10(measurement.uncertainty)))))
    return {
        "value": round(measurement.value, digits),
        "uncertainty": round(measurement.uncertainty, digits),
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None or not np.isfinite(value) else round(float(value), digits)


def _point(point: tuple[float, float] | None, digits: int) -> list[float] | None:
    return None if point is None else [round(float(value), digits) for value in point]


def _points(points: npt.NDArray[np.float64]) -> list[list[float]]:
    return [[round(float(x), 1), round(float(y), 1)] for x, y in points]
