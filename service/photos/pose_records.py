"""Poses of trays as they are kept beside a photo of a fixed camera.

A tray whose tags are hidden by blades later on is still found where it lay, as long as a tag that
is seen agrees. Poses that themselves rest on earlier ones are not kept, so that no error adds up.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np

from trayvision.camera.camera import Camera
from trayvision.pose.tray_pose import TrayPose
from trayvision.quality_flags import Doubt
from trayvision.reference_kit import TraySize

POSES_NAME = "poses.json"


def poses_json(poses: Iterable[TrayPose]) -> bytes:
    """Poses as they are kept, those that rest on earlier ones left out."""
    own = [_record(pose) for pose in poses if Doubt.EARLIER_POSE not in pose.doubts]
    return json.dumps(own).encode()


def same_run_poses(
    kept: Sequence[Mapping[str, Any]],
    runs: Mapping[int, Sequence[tuple[datetime, datetime, datetime]]],
    taken_at: datetime,
) -> list[TrayPose]:
    """Kept poses of trays whose present run had begun already: they were not put back since."""
    poses = []
    for record in kept:
        spans = runs.get(record["number"], ())
        run = next((span for span in spans if span[0] <= taken_at < span[1]), None)
        if record["taken_at"] < taken_at and (run is None or run[0] <= record["taken_at"]):
            poses.append(_pose(record))
    return poses


def _record(pose: TrayPose) -> dict[str, Any]:
    lens = None if pose.lens_covariance is None else pose.lens_covariance.tolist()
    return {
        "number": pose.number,
        "size": str(pose.size),
        "camera": json.loads(pose.camera.to_json()),
        "rotation": pose.rotation.tolist(),
        "translation_mm": pose.translation_mm.tolist(),
        "reprojection_rms_px": pose.reprojection_rms_px,
        "covariance": pose.covariance.tolist(),
        "lens_covariance": lens,
    }


def _pose(record: Mapping[str, Any]) -> TrayPose:
    """A kept pose; the tags that it rested on are not kept with it."""
    lens = record["lens_covariance"]
    return TrayPose(
        record["number"],
        TraySize.parse(record["size"]),
        Camera.from_json(json.dumps(record["camera"])),
        np.array(record["rotation"], dtype=np.float64),
        np.array(record["translation_mm"], dtype=np.float64),
        (),
        record["reprojection_rms_px"],
        np.array(record["covariance"], dtype=np.float64),
        (),
        None if lens is None else np.array(lens, dtype=np.float64),
    )
