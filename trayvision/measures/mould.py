"""Possible mould: candidate patches with a likelihood, all-over fuzz, and slime.

A patch is told from harmless whiteness by where and how it lies: mould is a patch with a
centre on a tray whose other places look different, root hairs are an even halo over the whole
tray around days 2 and 3. Nothing here says what organism a patch is or whether feed is fit.
"""

from dataclasses import dataclass
from math import pi, sqrt

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.measures.mould_likelihood import any_plant_likelihood, patch_likelihood, patch_terms
from trayvision.measures.mould_look import patch_look
from trayvision.segmentation.pixel_classes import TrayClass
from trayvision.segmentation.tray_plan import TrayPlan

FloatArray = npt.NDArray[np.float64]

_SEED_SHARE = 0.4
_EDGE_SHARE = 0.3
# Blades lying over a patch cut it into pieces; pieces nearer than this are one patch.
_JOIN_MM = 7.0
_SMALLEST_AREA_MM2 = 6.0
# Of the longer side of a photo without a kit. A smaller patch is a speck of some pixels: judgement.
_SMALLEST_OF_FRAME = 1 / 128
_OUTLINE_POINTS = 48
_HIGHEST_WITHOUT_COLOUR = 0.45
# Hardly coloured and light, as CIELAB's C* and, of 255, L* 55.
_WHITE_CHROMA = 11
_WHITE_LEVEL = 55 * 255 / 100


@dataclass(frozen=True)
class MouldPatch:
    """One candidate patch, in tray millimetres.

    Parameters
    ----------
    x_mm, y_mm : float
        Centre in the tray frame.
    area_mm2 : float
        Area of the patch, hidden pieces between its visible parts included.
    area_uncertainty_mm2 : float
    visible_area_mm2 : float
        Area not covered by blades.
    diameter_mm : float
        Of the circle of equal area.
    outline_mm : (n, 2) float array
    look : str
        "white fuzz", "grey-green", "dark" or "pink".
    likelihood : float
        0 to 1 (`trayvision.measures.mould_likelihood`).
    confusions : tuple of str
        What else it could be, in words.
    """

    x_mm: float
    y_mm: float
    area_mm2: float
    area_uncertainty_mm2: float
    visible_area_mm2: float
    diameter_mm: float
    outline_mm: FloatArray
    look: str
    likelihood: float
    confusions: tuple[str, ...]


@dataclass(frozen=True)
class SlimePatch:
    """One glossy brown wet area: centre and area in tray millimetres."""

    x_mm: float
    y_mm: float
    area_mm2: float


@dataclass(frozen=True)
class MouldReading:
    """Everything on one tray that looks like mould or its neighbours.

    Parameters
    ----------
    patches : tuple of MouldPatch
        Most likely first.
    fuzz : float
        0 to 1: even, all-over white fuzz; root hairs more likely than mould.
    slime : tuple of SlimePatch
        Largest first.
    """

    patches: tuple[MouldPatch, ...]
    fuzz: float
    slime: tuple[SlimePatch, ...]


def read_mould(
    plan: TrayPlan,
    *,
    day: float | None = None,
    true_colours: bool = True,
    any_plant: bool = False,
) -> MouldReading:
    """Find candidate mould patches, all-over fuzz and slime on the plan of one tray.

    Parameters
    ----------
    plan : TrayPlan
    true_colours : bool
        False for a photo without colour or under coloured light: no likelihood reaches one
        half then, since what tells mould from husks, shoots and glare is not in the photo.
    day : float, optional
        Days since spreading, where known: a prior, since root hairs show on days 2 and 3 and
        mould seldom before day 3.
    any_plant : bool
        True for a whole photo without a kit, which may show anything else than a tray: its
        patches have a likelihood of their own, and specks of it are none.
    """
    fuzz = measure_fuzz(plan)
    highest = 1.0 if true_colours else _HIGHEST_WITHOUT_COLOUR
    patches = [
        _describe(plan, candidate, prior=_Prior(fuzz, day, highest, any_plant))
        for candidate in candidate_patches(plan, any_plant=any_plant)
    ]
    patches.sort(key=lambda patch: -patch.likelihood)
    return MouldReading(tuple(patches), fuzz, _find_slime(plan))


@dataclass(frozen=True, eq=False)
class CandidatePatch:
    """A place that may be mould, before its likelihood is told.

    Parameters
    ----------
    mask : (rows, columns) bool array
        The patch on the plan, with what blades hide of it.
    visible : (rows, columns) bool array
        What is seen of it.
    peak : float
        Largest share of mould in it, smoothed over about a millimetre.
    """

    mask: npt.NDArray[np.bool_]
    visible: npt.NDArray[np.bool_]
    peak: float


def candidate_patches(plan: TrayPlan, *, any_plant: bool = False) -> list[CandidatePatch]:
    """Regions of a plan in which some place has a high share of mould.

    Parameters
    ----------
    plan : TrayPlan
    any_plant : bool
        True for a whole photo without a kit: there specks are no candidates.
    """
    smooth = _smoothed(plan.share(TrayClass.MOULD) * plan.judged, 1.2 / plan.grid.mm_per_px)
    least_px = _least_px_of_frame(plan) if any_plant else _least_px(plan)
    return [
        CandidatePatch(mask, mask & (smooth > _EDGE_SHARE), float(smooth[mask].max()))
        for mask in _joined_regions(plan, smooth, _SEED_SHARE, _EDGE_SHARE, least_px)
    ]


def centre_mm(plan: TrayPlan, mask: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """Centre of a patch of the plan, tray millimetres (x, y); some of the mask must be set."""
    rows, columns = np.nonzero(mask)
    x, y = plan.grid.to_mm(columns.mean(), rows.mean())
    return float(x), float(y)


@dataclass(frozen=True)
class _Prior:
    """What bears on every patch of a tray alike."""

    fuzz: float
    day: float | None
    highest: float
    any_plant: bool


def measure_fuzz(plan: TrayPlan) -> float:
    """Even, all-over white fuzz on the seed bed, 0 to 1.

    The share of bed cells of 25 mm in which whitish, hardly coloured pixels stand out from the
    straw around them, taken at its lower quartile over the tray: a few mouldy cells leave the
    quartile at 0, an even halo lifts it.
    """
    bed = (plan.share(TrayClass.BED) + plan.share(TrayClass.MOULD) > 0.5) & plan.judged
    if bed.mean() < 0.15:
        return 0.0
    lightness, a, b = cv2.split(cv2.cvtColor(plan.colours, cv2.COLOR_RGB2LAB).astype(np.int32))
    a, b = a - 128, b - 128
    pale = a * a + b * b < _WHITE_CHROMA**2
    white = (pale & (lightness > _WHITE_LEVEL) & bed).astype(np.float32)
    size = round(25 / plan.grid.mm_per_px)
    rows, columns = bed.shape[0] // size * size, bed.shape[1] // size * size
    cut = (slice(0, rows), slice(0, columns))
    shape = (rows // size, size, columns // size, size)
    counts = bed[cut].reshape(shape).sum(axis=(1, 3))
    shares = white[cut].reshape(shape).sum(axis=(1, 3)) / np.maximum(counts, 1)
    shares = shares[counts > 0.2 * size * size]
    return float(np.quantile(shares, 0.25)) if shares.size else 0.0


def _smoothed(share: npt.NDArray[np.float32], sigma_px: float) -> npt.NDArray[np.float32]:
    return cv2.GaussianBlur(share, (0, 0), sigma_px).astype(np.float32)


def _least_px(plan: TrayPlan) -> float:
    return _SMALLEST_AREA_MM2 / plan.grid.mm_per_px**2


def _least_px_of_frame(plan: TrayPlan) -> float:
    return pi / 4 * (_SMALLEST_OF_FRAME * float(max(plan.judged.shape))) ** 2


def _joined_regions(
    plan: TrayPlan, share: npt.NDArray[np.float32], seed: float, edge: float, least_px: float
) -> list[npt.NDArray[np.bool_]]:
    """Regions above `edge` that hold a pixel above `seed`, near pieces joined into one."""
    if float(share.max()) < seed:
        return []
    candidate = (share > edge).astype(np.uint8)
    reach = round(_JOIN_MM / plan.grid.mm_per_px) | 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    joined = cv2.morphologyEx(candidate, cv2.MORPH_CLOSE, kernel)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(joined)
    strong = set(np.unique(labels[share > seed])) - {0}
    return [
        labels == label for label in sorted(strong) if stats[label, cv2.CC_STAT_AREA] >= least_px
    ]


def _describe(plan: TrayPlan, candidate: CandidatePatch, *, prior: _Prior) -> MouldPatch:
    mask, visible = candidate.mask, candidate.visible
    mm2 = plan.grid.mm_per_px**2
    x, y = centre_mm(plan, mask)
    area = float(mask.sum()) * mm2
    diameter = 2 * sqrt(area / pi)
    look = patch_look(plan, mask, visible)
    if prior.any_plant:
        likelihood = any_plant_likelihood(plan, visible, day=prior.day)
    else:
        terms = patch_terms(plan, mask, visible, candidate.peak)
        likelihood = patch_likelihood(terms, day=prior.day)
    likelihood = min(likelihood, prior.highest)
    return MouldPatch(
        x_mm=x,
        y_mm=y,
        area_mm2=area,
        # The edge of a patch is soft: one pixel of the plan either way along its border.
        area_uncertainty_mm2=float(np.hypot(pi * diameter * plan.grid.mm_per_px, 0.1 * area)),
        visible_area_mm2=float(visible.sum()) * mm2,
        diameter_mm=diameter,
        outline_mm=_outline(plan, mask),
        look=look,
        likelihood=likelihood,
        confusions=_confusions(look, prior.day, prior.fuzz),
    )


def _confusions(look: str, day: float | None, fuzz: float) -> tuple[str, ...]:
    words = []
    if look == "white fuzz":
        if fuzz > 0.15 or (day is not None and 1 <= day <= 4):
            words.append("root hairs")
        words += ["glare on wet seed", "pale shoots"]
    elif look == "grey-green":
        words += ["young shoots in shadow", "discoloured seed"]
    elif look == "dark":
        words += ["husks or dirt", "shadow"]
    else:
        words += ["dyed or damaged seed"]
    return tuple(words)


def _outline(plan: TrayPlan, mask: npt.NDArray[np.bool_]) -> FloatArray:
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    longest = max(contours, key=len)[:, 0, :].astype(np.float64)
    step = max(1, len(longest) // _OUTLINE_POINTS)
    x, y = plan.grid.to_mm(longest[::step, 0], longest[::step, 1])
    return np.stack([x, y], axis=1)


def _find_slime(plan: TrayPlan) -> tuple[SlimePatch, ...]:
    share = _smoothed(plan.share(TrayClass.SLIME) * plan.judged, 1.5 / plan.grid.mm_per_px)
    found = []
    for mask in _joined_regions(plan, share, 0.6, 0.4, _least_px(plan)):
        x, y = centre_mm(plan, mask)
        area = float(mask.sum()) * plan.grid.mm_per_px**2
        if area >= _SMALLEST_SLIME_MM2:
            found.append(SlimePatch(x, y, area))
    return tuple(sorted(found, key=lambda patch: -patch.area_mm2))


_SMALLEST_SLIME_MM2 = 100.0
