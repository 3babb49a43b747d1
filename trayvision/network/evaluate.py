"""Judge the network on rendered photos with truth files, or on photos that show neither
shoots nor mould.

    python -m trayvision.network.evaluate FOLDER          # photos with truth
    python -m trayvision.network.evaluate FOLDER --clean  # photos without shoots and mould

Poses come from the truth, so that only light correction and network are judged.
"""

import argparse
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.camera.camera import Camera
from trayvision.light.colour_correction import measure_light
from trayvision.network.dataset import TruthView, is_held_out
from trayvision.photo.photo import load_photo
from trayvision.pose.tray_pose import TrayPose
from trayvision.segmentation.pixel_classes import CLASS_COUNT, TrayClass
from trayvision.segmentation.segmentation import ClassShares, segment
from trayvision.tags.reading import ReadTag

Classes = npt.NDArray[np.uint8]

SEED_SHARE, EDGE_SHARE, JOIN_MM, SMALLEST_MM2 = 0.5, 0.3, 7.0, 12.0
# A patch counts towards the goal from these on (measures.md of the project's design).
LEAST_MM, LEAST_PX, LEAST_VISIBLE = 8.0, 16.0, 0.25


@dataclass
class Tally:
    """Counts over a folder."""

    both: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(CLASS_COUNT, np.int64))
    either: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(CLASS_COUNT, np.int64))
    patches: int = 0
    found: int = 0
    small: int = 0
    small_found: int = 0
    clean: int = 0
    clean_flagged: int = 0


def true_pose(truth: dict[str, Any]) -> TrayPose:
    """The pose a truth file states, with the tags it calls visible."""
    view, camera = TruthView(truth), truth["camera"]
    names = ("width", "height", "fx", "fy", "cx", "cy")
    tags = tuple(
        ReadTag(tag["id"], np.array(tag["corners_px"]), 0.1)
        for tag in truth["tags"]
        if tag["visible_fraction"] > 0.95
    )
    return TrayPose(
        number=truth["tray_number"],
        size=view.size,
        camera=Camera(**{name: camera[name] for name in names}),
        rotation=view.rotation,
        translation_mm=view.translation,
        tags=tags,
        reprojection_rms_px=0.1,
        covariance=np.eye(6) * 1e-6,
    )


def judge_photo(truth_file: Path, tally: Tally) -> str:
    """Add one photo to the tally; one line about it."""
    truth = json.loads(truth_file.read_text())
    photo, pose = load_photo(truth_file.with_suffix(".jpg")), true_pose(truth)
    shares = segment(photo, measure_light(photo, pose), pose)
    path = f"{truth_file.with_suffix('')}.classes.png"
    classes = cv2.imread(path, cv2.IMREAD_GRAYSCALE)
    if classes is None:
        raise ValueError(f"{truth_file} must have classes beside it, got none at {path}")
    found = full_size_classes(shares, photo.width, photo.height)
    opening = np.zeros(classes.shape, np.uint8)
    corners = pose.project(pose.size.opening_mm).round().astype(np.int32)
    cv2.fillConvexPoly(opening, corners, 1)
    inside = opening > 0
    line = f"{truth_file.stem} day {truth['day']:g} {truth['lighting']['kind']:<11}"
    for label in range(CLASS_COUNT):
        ours, theirs = (found == label) & inside, (classes == label) & inside
        both, either = int((ours & theirs).sum()), int((ours | theirs).sum())
        tally.both[label] += both
        tally.either[label] += either
        if label in (TrayClass.BED, TrayClass.SHOOT, TrayClass.MOULD) and theirs.any():
            line += f" {TrayClass(label).name} {both / either:.3f}"
    truth_cover = float(((classes == TrayClass.SHOOT) & inside).sum() / inside.sum())
    cover = float(((found == TrayClass.SHOOT) & inside).sum() / inside.sum())
    return (
        line
        + f" cover {cover:.3f} ({truth_cover:.3f})"
        + _judge_patches(truth, shares, pose, tally)
    )


def full_size_classes(shares: ClassShares, width: int, height: int) -> Classes:
    """(height, width) most likely class in full-size px, `OUTSIDE` beyond the crop."""
    channels = [
        cv2.warpAffine(
            share,
            shares.photo_to_crop,
            (width, height),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_CONSTANT,
        )
        for share in shares.shares
    ]
    return np.asarray(np.stack(channels).argmax(0), dtype=np.uint8)


def _judge_patches(truth: dict[str, Any], shares: ClassShares, pose: TrayPose, tally: Tally) -> str:
    full_px_a_crop_px = abs(np.linalg.det(shares.photo_to_crop[:, :2])) ** -0.5
    centre_depth = (pose.rotation @ [0, 0, -pose.size.depth_mm] + pose.translation_mm)[2]
    mm_per_px = centre_depth / pose.camera.fx
    patches = find_patches(shares, mm_per_px * full_px_a_crop_px)
    used: set[int] = set()
    line = ""
    for patch in truth["mould"]:
        centre, diameter = np.array(patch["centroid_mm"]), patch["equivalent_diameter_mm"]
        at = pose.rotation @ [*centre, patch["z_mm"]] + pose.translation_mm
        scale = at[2] / pose.camera.fx
        pixel = pose.camera.project(at[None])[0]
        reach = max(diameter / 2, 4.0) * 1.25 / scale
        hits = {i for i, p in enumerate(patches) if np.hypot(*(p - pixel)) <= reach}
        used |= hits
        visible = patch["visible_px"] * scale**2 / patch["area_mm2"]
        if diameter >= LEAST_MM and diameter / scale >= LEAST_PX and visible > LEAST_VISIBLE:
            tally.patches += 1
            tally.found += bool(hits)
        else:
            tally.small += 1
            tally.small_found += bool(hits)
        line += f" {patch['kind']}:{diameter:.0f}mm vis {visible:.2f} {'hit' if hits else 'MISS'}"
    false = len(patches) - len(used)
    if not truth["mould"]:
        tally.clean += 1
        tally.clean_flagged += false > 0
    return line + (f" FALSE {false}" if false else "")


def find_patches(shares: ClassShares, mm_per_px: float) -> list[npt.NDArray[np.float64]]:
    """Centres, in full-size px, of joined mould regions of some size."""
    share = cv2.GaussianBlur(shares.share(TrayClass.MOULD), (0, 0), 1.0 / mm_per_px)
    reach = round(JOIN_MM / mm_per_px) | 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    regions = cv2.morphologyEx((share > EDGE_SHARE).astype(np.uint8), cv2.MORPH_CLOSE, kernel)
    _, labels, stats, centres = cv2.connectedComponentsWithStats(regions)
    strong = set(np.unique(labels[share > SEED_SHARE])) - {0}
    to_photo = np.linalg.inv(np.vstack([shares.photo_to_crop, [0, 0, 1]]))
    return [
        (to_photo @ [*centres[label], 1.0])[:2]
        for label in strong
        if stats[label, cv2.CC_STAT_AREA] * mm_per_px**2 >= SMALLEST_MM2
    ]


def judge_clean(photo_file: Path) -> tuple[float, float]:
    """Share of shoot and of mould in a whole photo."""
    photo = load_photo(photo_file)
    classes = segment(photo, measure_light(photo, None), None).classes
    return (
        float((classes == TrayClass.SHOOT).mean()),
        float((classes == TrayClass.MOULD).mean()),
    )


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--clean", action="store_true", help="no shoots, no mould, no truth")
    parser.add_argument("--held-out", action="store_true", help="photos kept from training only")
    given = parser.parse_args()
    if given.clean:
        for path in sorted(given.folder.glob("*.jpg")):
            print(path.name, "shoot {:.4f} mould {:.4f}".format(*judge_clean(path)))
        return
    tally = Tally()
    for path in sorted(given.folder.glob("*.json")):
        if not path.with_suffix(".jpg").exists():
            continue
        if given.held_out and not is_held_out(json.loads(path.read_text())):
            continue
        print(judge_photo(path, tally))
    for label in range(CLASS_COUNT):
        iou = tally.both[label] / max(int(tally.either[label]), 1)
        print(f"IoU {TrayClass(label).name} {iou:.4f}")
    print(
        f"patches of the goal found {tally.found}/{tally.patches}, "
        f"smaller or hidden {tally.small_found}/{tally.small}, "
        f"clean photos flagged {tally.clean_flagged}/{tally.clean}"
    )


if __name__ == "__main__":
    main()
