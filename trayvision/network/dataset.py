"""Rendered training photos with truth files, packed into crops small enough to send about."""

import json
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.colorimetry import LINEAR_OF_LEVEL
from trayvision.light.colour_correction import WHITE_TARGET
from trayvision.reference_kit import TraySize

FloatArray = npt.NDArray[np.float64]
Labels = npt.NDArray[np.uint8]

FINEST_MM_PER_PX = 0.5
MOULD = 4
MOULD_SHARE = 0.25
# Targets beyond the classes 0 to 6, as in `model.py`.
MOULDLESS, HARMLESS, IGNORE = 253, 254, 255
_HOLD_OUT_EVERY = 10
_BLACK_LEVEL = 3.0


@dataclass(frozen=True)
class PackedPhoto:
    """One crop: `file` and its targets (``STEM.targets.webp``), both lossless WebP.

    Parameters
    ----------
    file : str
    mm_per_px : float
        At the middle of the seed bed.
    gains : tuple of 3 float
        Linear-light gains that make the kit's white neutral.
    """

    file: str
    mm_per_px: float
    gains: tuple[float, float, float]


class TruthView:
    """Camera and tray of a truth file."""

    def __init__(self, truth: dict[str, Any]) -> None:
        camera, tray = truth["camera"], truth["tray"]
        self.rotation = np.array(camera["R_world_to_camera"])
        self.translation = np.array(camera["t_world_to_camera"])
        self.camera = camera
        self.size = TraySize(tray["length"], tray["width"], tray["depth"])

    def project(self, points_mm: FloatArray) -> FloatArray:
        """(n, 3) tray points to (n, 2) photo px."""
        seen = points_mm @ self.rotation.T + self.translation
        scale = np.array([self.camera["fx"], self.camera["fy"]])
        centre = np.array([self.camera["cx"], self.camera["cy"]])
        return np.asarray(seen[:, :2] / seen[:, 2:] * scale + centre, dtype=np.float64)

    @property
    def mm_per_px(self) -> float:
        """At the middle of the tray floor."""
        middle = np.array([0.0, 0.0, -self.size.depth_mm])
        return float((self.rotation @ middle + self.translation)[2] / self.camera["fx"])


def white_gains(photo: npt.NDArray[np.uint8], tags: list[dict[str, Any]]) -> FloatArray:
    """Linear-light gains from the quiet zones of the tags that the truth calls visible."""
    samples = []
    for tag in tags:
        if tag["visible_fraction"] < 0.7:
            continue
        corners = np.array(tag["corners_px"])
        ring = corners.mean(0) + (corners - corners.mean(0)) * (17.5 / 15)
        ends = np.roll(ring, -1, axis=0)
        steps = np.linspace(0, 1, 24)[:, None, None]
        points = (ring * (1 - steps) + ends * steps).reshape(-1, 2).round().astype(int)
        inside = ((points >= 0) & (points < photo.shape[1::-1])).all(1)
        samples.append(photo[points[inside, 1], points[inside, 0]])
    if not samples:
        return np.ones(3)
    linear = LINEAR_OF_LEVEL[np.concatenate(samples)]
    white = np.percentile(linear, 60, axis=0)
    return np.asarray(WHITE_TARGET / np.clip(white, 0.02, 1.0), dtype=np.float64)


def training_targets(
    truth: dict[str, Any], classes: Labels, all_classes: Labels | None, view: TruthView
) -> Labels:
    """Truth classes, with the background outside the opening made harmless or ignored.

    Neighbouring trays are background in the truth and look like the tray itself. Where there
    are any, their classes come from `all_classes`; without it the background teaches nothing.
    """
    opening = view.project(view.size.opening_mm).round().astype(np.int32)
    inside = np.zeros(classes.shape, np.uint8)
    cv2.fillConvexPoly(inside, cv2.convexHull(opening), 1)
    background = (classes == 0) & (inside == 0)
    targets = classes.copy()
    if all_classes is not None:
        targets[background] = np.where(all_classes == 0, HARMLESS, all_classes)[background]
        return targets
    neighbours = truth.get("other_trays") or truth.get("scene", {}).get("neighbours")
    targets[background] = IGNORE if neighbours else HARMLESS
    return targets


def shrink_targets(targets: Labels, width: int, height: int) -> Labels:
    """Targets on a coarser grid: the largest share wins, mould already at a quarter."""
    values = np.unique(targets)
    shares = np.stack(
        [
            cv2.resize(
                (targets == value).astype(np.float32), (width, height), interpolation=cv2.INTER_AREA
            )
            for value in values
        ]
    )
    result = np.asarray(values[shares.argmax(0)], dtype=np.uint8)
    if MOULD in values:
        result[shares[list(values).index(MOULD)] >= MOULD_SHARE] = MOULD
    return result


def read_labels(truth_file: Path, kind: str) -> Labels | None:
    """The label picture ``STEM.kind.png`` beside a truth file, if there is one."""
    path = Path(f"{truth_file.with_suffix('')}.{kind}.png")
    if not path.exists():
        return None
    labels = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    return None if labels is None else labels.astype(np.uint8)


def pack_photo(truth_file: Path, target_folder: Path) -> PackedPhoto | None:
    """Cut one photo down to its tray and write crop and targets.

    None, and nothing written, for a photo that is held out or black.
    """
    truth = json.loads(truth_file.read_text())
    if is_held_out(truth):
        return None
    view = TruthView(truth)
    bgr = cv2.imread(str(truth_file.with_suffix(".jpg")))
    classes = read_labels(truth_file, "classes")
    if bgr is None or classes is None:
        raise ValueError(f"{truth_file} must have a photo and classes beside it, got none")
    if bgr.mean() < _BLACK_LEVEL:
        return None
    gains = white_gains(np.ascontiguousarray(bgr[..., ::-1]), truth["tags"])
    targets = training_targets(truth, classes, read_labels(truth_file, "all_classes"), view)
    left, top, right, bottom = _tray_box(view, classes.shape[1], classes.shape[0])
    bgr, targets = bgr[top:bottom, left:right], targets[top:bottom, left:right]
    mm_per_px = view.mm_per_px
    if mm_per_px < FINEST_MM_PER_PX:
        shrink = mm_per_px / FINEST_MM_PER_PX
        width, height = round(bgr.shape[1] * shrink), round(bgr.shape[0] * shrink)
        bgr = cv2.resize(bgr, (width, height), interpolation=cv2.INTER_AREA)
        targets = shrink_targets(np.ascontiguousarray(targets), width, height)
        mm_per_px = FINEST_MM_PER_PX
    file = f"{truth_file.stem}.webp"
    # Compressed with losses, pictures to learn from would be softer than photos are.
    lossless = [cv2.IMWRITE_WEBP_QUALITY, 101]
    cv2.imwrite(str(target_folder / file), bgr, lossless)
    cv2.imwrite(str(target_folder / f"{truth_file.stem}.targets.webp"), targets, lossless)
    return PackedPhoto(file, mm_per_px, (gains[0], gains[1], gains[2]))


def is_held_out(truth: dict[str, Any]) -> bool:
    """Whether a photo is kept from training for the card's figures: every tenth tray."""
    return int(truth.get("tray_seed", truth.get("seed", 0))) % _HOLD_OUT_EVERY == 0


def _tray_box(view: TruthView, width: int, height: int) -> tuple[int, int, int, int]:
    opening = view.size.opening_mm
    grown = opening + np.sign(opening) * [14.0, 12.0, 0.0]
    points = view.project(
        np.concatenate([grown + [0, 0, z] for z in (-view.size.depth_mm, 0.0, 40.0)])
    )
    low, high = np.floor(points.min(0)).astype(int), np.ceil(points.max(0)).astype(int)
    return (
        max(0, int(low[0])),
        max(0, int(low[1])),
        min(width, int(high[0])),
        min(height, int(high[1])),
    )


def pack_folder(source: Path, target: Path, *, workers: int = 1) -> list[PackedPhoto]:
    """Pack every photo with a truth file in `source` and write ``index.json`` to `target`."""
    target.mkdir(parents=True, exist_ok=True)
    truths = [
        path
        for path in sorted(source.glob("*.json"))
        if path.with_suffix(".jpg").exists()
        and Path(f"{path.with_suffix('')}.classes.png").exists()
    ]
    with ProcessPoolExecutor(workers) as pool:
        results = list(pool.map(pack_photo, truths, [target] * len(truths)))
    packed = [photo for photo in results if photo is not None]
    (target / "index.json").write_text(json.dumps([asdict(photo) for photo in packed]))
    return packed


def read_index(folder: Path) -> list[PackedPhoto]:
    """The packed photos of a folder."""
    rows = json.loads((folder / "index.json").read_text())
    return [PackedPhoto(**{**row, "gains": tuple(row["gains"])}) for row in rows]


def read_packed(folder: Path, photo: PackedPhoto) -> tuple[npt.NDArray[np.uint8], Labels]:
    """Crop (h, w, 3) RGB and targets (h, w) of one packed photo."""
    bgr = cv2.imread(str(folder / photo.file))
    targets = cv2.imread(str((folder / photo.file).with_suffix(".targets.webp")))
    if bgr is None or targets is None:
        raise ValueError(f"{folder / photo.file} must be readable with its targets, got none")
    return np.ascontiguousarray(bgr[..., ::-1]), np.ascontiguousarray(targets[..., 0], np.uint8)
