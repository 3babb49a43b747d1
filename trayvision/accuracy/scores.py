"""One photo's inspection held against its truth."""

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.accuracy.truth import OtherTray, PhotoTruth, TruePatch
from trayvision.inspection.class_mask import class_mask
from trayvision.inspection.inspection import Inspection, inspect_photo
from trayvision.inspection.record import photo_record
from trayvision.quality_flags import PhotoProblem
from trayvision.segmentation.pixel_classes import TrayClass

# As judged: a patch is called mould from this likelihood on, and its place counts as found
# within a quarter more than the true patch's radius, that of the smallest ones taken as 4 mm.
CALLED_MOULD = 0.5
_HIT_SLACK = 1.25
_SMALLEST_RADIUS_MM = 4.0
_MEASURED_TAG_PX = 35.0
_WHOLE_TAG_SHARE = 0.97

Pixels = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class ComparedValue:
    """A measured value with its stated uncertainty, and the band in which the truth lies."""

    value: float
    uncertainty: float | None
    truth_low: float
    truth_high: float

    @property
    def error(self) -> float:
        """Signed distance to the nearest true value; 0 inside the band."""
        return self.value - min(max(self.value, self.truth_low), self.truth_high)

    @property
    def within_interval(self) -> bool | None:
        """Whether the 95 % interval holds a true value; None when no uncertainty is stated."""
        if self.uncertainty is None:
            return None
        return abs(self.error) <= 1.96 * self.uncertainty


@dataclass(frozen=True)
class Candidate:
    """A patch that the inspection reported: its likelihood, and whether mould is there."""

    likelihood: float
    is_mould: bool


@dataclass(frozen=True)
class PatchScore:
    """A true patch, whether a reported one called mould lies on it, and that one's area."""

    patch: TruePatch
    found: bool
    area_mm2: ComparedValue | None = None

    @property
    def counts(self) -> bool:
        """Whether the goal asks for it: 8 mm and 16 px across, more than a quarter in sight."""
        return self.patch.counts


@dataclass(frozen=True)
class PhotoScore:
    """One photo's part of every line of the accuracy table."""

    truth: PhotoTruth
    found: bool = False
    wrong_numbers: int = 0
    problem: str | None = None
    others_found: tuple[OtherTray, ...] = ()
    corner_errors_px: tuple[float, ...] = ()
    cover: ComparedValue | None = None
    height: ComparedValue | None = None
    shoot_overlap_px: int | None = None
    shoot_union_px: int = 0
    lab: tuple[float, float, float] | None = None
    patches: tuple[PatchScore, ...] = ()
    candidates: tuple[Candidate, ...] = field(default=())
    false_patches: int = 0
    health_score: float | None = None

    @property
    def name(self) -> str:
        """The photo's name without its ending."""
        return self.truth.photo.stem

    @property
    def shoot_iou(self) -> float | None:
        """Intersection over union of the shoot pixels."""
        if self.shoot_overlap_px is None:
            return None
        return self.shoot_overlap_px / max(1, self.shoot_union_px)


def inspect_with_truth(truth: PhotoTruth) -> Inspection:
    """Inspect a photo, told no more than a grower would: tray sizes, camera and day."""
    return inspect_photo(
        truth.photo, tray_size=truth.room, camera=truth.camera, day=truth.whole_day
    )


def score_photo(truth: PhotoTruth) -> PhotoScore:
    """Inspect one photo and compare it with its truth; a refusal is a score as well."""
    try:
        inspection = inspect_with_truth(truth)
    except PhotoProblem as problem:
        return PhotoScore(truth, problem=str(problem))
    return score_inspection(truth, inspection)


def score_inspection(truth: PhotoTruth, inspection: Inspection) -> PhotoScore:
    """Compare one inspection, as its JSON and class masks state it, with the truth."""
    report = photo_record(inspection)
    numbers = [tray["tray"] for tray in report["trays"]]
    wrong = sum(number not in truth.numbers for number in numbers)
    others = tuple(other for other in truth.others if other.number in numbers)
    if truth.tray_number not in numbers:
        problem = report.get("problem")
        return PhotoScore(truth, wrong_numbers=wrong, problem=problem, others_found=others)
    place = numbers.index(truth.tray_number)
    tray = report["trays"][place]
    overlap, union = shoot_overlap(truth, class_mask(inspection))
    patches, candidates, false_patches = compare_patches(truth, tray.get("mould") or [])
    return PhotoScore(
        truth,
        found=True,
        wrong_numbers=wrong,
        problem=report.get("problem"),
        others_found=others,
        corner_errors_px=_corner_errors(truth, tray.get("pose") or {}),
        cover=_compare(tray.get("cover"), (truth.cover, truth.cover)),
        height=_compare(tray.get("canopy_height_mm"), truth.height_band_mm),
        shoot_overlap_px=overlap,
        shoot_union_px=union,
        lab=_lab(tray.get("colour")),
        patches=patches,
        candidates=candidates,
        false_patches=false_patches,
        health_score=(tray.get("score") or {}).get("value"),
    )


def _compare(
    measured: dict[str, Any] | None, band: tuple[float, float] | None
) -> ComparedValue | None:
    if band is None or measured is None or measured.get("value") is None:
        return None
    return ComparedValue(measured["value"], measured.get("uncertainty"), *band)


def _corner_errors(truth: PhotoTruth, pose: dict[str, Any]) -> tuple[float, ...]:
    errors: list[float] = []
    for tag in truth.tags:
        read = pose.get("corners_px", {}).get(str(tag.id))
        if read and tag.visible_share > _WHOLE_TAG_SHARE and tag.edge_px >= _MEASURED_TAG_PX:
            apart = np.array(read, dtype=np.float64)[:, None] - tag.corners_px[None]
            errors += np.linalg.norm(apart, axis=2).min(axis=0).tolist()
    return tuple(errors)


def shoot_overlap(truth: PhotoTruth, mask: Pixels | None) -> tuple[int | None, int]:
    """Pixels that both call shoots, and that either does, where the inspection judged."""
    real = cv2.imread(str(truth.class_mask), cv2.IMREAD_GRAYSCALE)
    if real is None or mask is None or mask.shape != real.shape:
        return None, 0
    judged = (mask != TrayClass.CANNOT_TELL) & (mask != TrayClass.OUTSIDE)
    said, true = (mask == TrayClass.SHOOT) & judged, (real == TrayClass.SHOOT) & judged
    return int((said & true).sum()), int((said | true).sum())


def compare_patches(
    truth: PhotoTruth, reported: list[dict[str, Any]]
) -> tuple[tuple[PatchScore, ...], tuple[Candidate, ...], int]:
    """True patches found or missed, reported ones right or wrong, and how many called are false."""
    called = [said for said in reported if said["likelihood"] >= CALLED_MOULD]
    candidates = tuple(
        Candidate(said["likelihood"], any(hits(patch, said) for patch in truth.patches))
        for said in reported
    )
    false_patches = sum(not any(hits(patch, said) for patch in truth.patches) for said in called)
    return tuple(_score_patch(patch, called) for patch in truth.patches), candidates, false_patches


def _score_patch(patch: TruePatch, called: list[dict[str, Any]]) -> PatchScore:
    on_it = [said for said in called if hits(patch, said)]
    if not on_it:
        return PatchScore(patch, found=False)
    said = max(on_it, key=lambda said: float(said["area_mm2"]))
    area = ComparedValue(
        said["area_mm2"], said.get("area_uncertainty_mm2"), patch.area_mm2, patch.area_mm2
    )
    return PatchScore(patch, found=True, area_mm2=area)


def hits(patch: TruePatch, said: dict[str, Any]) -> bool:
    """Whether a reported patch's centre, `x_mm` and `y_mm`, lies on a true one."""
    reach = max(patch.diameter_mm / 2, _SMALLEST_RADIUS_MM) * _HIT_SLACK
    return bool(np.hypot(said["x_mm"] - patch.x_mm, said["y_mm"] - patch.y_mm) <= reach)


def _lab(colour: dict[str, Any] | None) -> tuple[float, float, float] | None:
    given = [((colour or {}).get(key) or {}).get("value") for key in ("lightness", "a", "b")]
    parts = [float(part) for part in given if part is not None]
    return (parts[0], parts[1], parts[2]) if len(parts) == 3 else None
