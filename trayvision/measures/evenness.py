"""Evenness of a tray over cells of 50 mm: cover, colour, the seed layer, and bare areas."""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.measurement import Measurement
from trayvision.measures.canopy_cover import CanopyCover, Cells
from trayvision.quality_flags import Doubt
from trayvision.segmentation.pixel_classes import TrayClass
from trayvision.segmentation.tray_plan import TrayPlan

FloatArray = npt.NDArray[np.float64]

CELL_MM = 50.0
_BARE_AFTER_DAY = 4.0
# Gaps between tufts are no bare area until they are wider than this, and hold so little.
_BARE_WINDOW_MM = 26.0
_SMALLEST_BARE_AREA_MM2 = 450.0
_BARE_OF_TYPICAL = 0.2
_LEAST_COVER = 0.2
_SMALLEST_FLOOR_MM2 = 60.0
_BARE_COVER = 0.12


@dataclass(frozen=True)
class Area:
    """One marked area of the tray: centre, size and outline in tray millimetres."""

    x_mm: float
    y_mm: float
    area_mm2: float
    outline_mm: FloatArray


@dataclass(frozen=True)
class Evenness:
    """How evenly a tray is spread, grown and coloured.

    Parameters
    ----------
    cover_variation : Measurement
        Coefficient of variation of cover over the 50 mm cells; unknown under 5 % cover.
    colour_variation : Measurement
        Standard deviation over the cells of the median CIELAB b* of shoots, in CIELAB units.
    seed_layer : Measurement
        Share of the opening's floor under seed; given while cover is below 5 %.
    bare_floor : tuple of Area
        Tray floor showing through the seed.
    bare_areas : tuple of Area
        After day 4: areas without shoots.
    """

    cover_variation: Measurement
    colour_variation: Measurement
    seed_layer: Measurement
    bare_floor: tuple[Area, ...]
    bare_areas: tuple[Area, ...]

    @classmethod
    def unknown(cls, reason: Doubt) -> "Evenness":
        """No evenness, and why."""
        missing = Measurement.unknown("1", reason)
        return cls(missing, missing, missing, (), ())


def measure_evenness(plan: TrayPlan, cover: CanopyCover, *, day: float | None = None) -> Evenness:
    """Measure the evenness of one tray.

    Parameters
    ----------
    plan : TrayPlan
    cover : CanopyCover
        Of the same plan.
    day : float, optional
        Days since spreading; bare areas are looked for after day 4, or, where the day is not
        known, from a cover of 30 % on.
    """
    value = cover.cover.value
    sprouted = value is not None and value >= 0.05
    grown = (day is not None and day > _BARE_AFTER_DAY) or (
        day is None and value is not None and value >= 0.3
    )
    return Evenness(
        _cover_variation(plan) if sprouted else Measurement.unknown("1", Doubt.NO_SHOOTS),
        _colour_variation(plan) if sprouted else Measurement.unknown("1", Doubt.NO_SHOOTS),
        Measurement.unknown("1", Doubt.BED_HIDDEN) if sprouted else _seed_layer(plan),
        _bare_floor(plan),
        _bare_areas(plan, cover) if grown else (),
    )


def _variation(values: FloatArray) -> tuple[float, float]:
    """Standard deviation and its own standard error (normal theory)."""
    spread = float(values.std(ddof=1))
    return spread, spread / float(np.sqrt(2 * (len(values) - 1)))


def _cover_variation(plan: TrayPlan) -> Measurement:
    cells = Cells(plan.judged, round(CELL_MM))
    used = cells.means(plan.share(TrayClass.SHOOT))[cells.judged_share > 0.5]
    if used.size < 4 or used.mean() <= 0:
        return Measurement.unknown("1", Doubt.TOO_LITTLE_SEEN)
    spread, error = _variation(used)
    return Measurement(spread / float(used.mean()), error / float(used.mean()), "1")


def _colour_variation(plan: TrayPlan) -> Measurement:
    yellowness = cv2.cvtColor(plan.colours, cv2.COLOR_RGB2LAB)[..., 2].astype(np.float32) - 128
    shoots = (plan.share(TrayClass.SHOOT) > 0.5) & plan.judged
    cells = Cells(shoots, round(CELL_MM))
    used = cells.means(yellowness)[cells.judged_share > 0.05]
    if used.size < 4:
        return Measurement.unknown("1", Doubt.TOO_LITTLE_SEEN)
    spread, error = _variation(used)
    return Measurement(spread, error, "1")


def _seed_layer(plan: TrayPlan) -> Measurement:
    if plan.seen < 0.3:
        return Measurement.unknown("1", Doubt.TOO_LITTLE_SEEN)
    floor = float(plan.share(TrayClass.BARE_TRAY)[plan.judged].mean())
    return Measurement(1 - floor, 0.005 + 0.1 * floor, "1")


def _bare_floor(plan: TrayPlan) -> tuple[Area, ...]:
    floor = cv2.GaussianBlur(plan.share(TrayClass.BARE_TRAY) * plan.judged, (0, 0), 1.5)
    mask = floor > 0.5
    # The foot of the walls is plastic too, and no gap in the seed.
    edge = round(8 / plan.grid.mm_per_px)
    inner = np.zeros_like(mask)
    inner[edge:-edge, edge:-edge] = True
    return _areas(plan, mask & inner, _SMALLEST_FLOOR_MM2)


def _bare_areas(plan: TrayPlan, cover: CanopyCover) -> tuple[Area, ...]:
    typical = cover.as_seen or 0.0
    if typical < _LEAST_COVER:
        return ()
    window = (round(_BARE_WINDOW_MM / plan.grid.mm_per_px),) * 2
    judged = plan.judged.astype(np.float32)
    shoots = cv2.boxFilter(plan.share(TrayClass.SHOOT) * judged, -1, window)
    weight = cv2.boxFilter(judged, -1, window)
    sparse = (shoots < min(_BARE_COVER, _BARE_OF_TYPICAL * typical) * weight) & (weight > 0.5)
    # A window that is bare throughout reaches half its width beyond its centre.
    reach = round(0.7 * _BARE_WINDOW_MM / plan.grid.mm_per_px) | 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    grown = cv2.dilate(sparse.astype(np.uint8), kernel) > 0
    return _areas(plan, grown & plan.judged, _SMALLEST_BARE_AREA_MM2)


def _areas(plan: TrayPlan, mask: npt.NDArray[np.bool_], least_mm2: float) -> tuple[Area, ...]:
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    found = []
    for contour in contours:
        area = cv2.contourArea(contour) * plan.grid.mm_per_px**2
        if area < least_mm2:
            continue
        points = contour[:, 0, :].astype(np.float64)
        step = max(1, len(points) // 48)
        x, y = plan.grid.to_mm(points[::step, 0], points[::step, 1])
        outline = np.stack([x, y], axis=1)
        centre_x, centre_y = outline.mean(axis=0)
        found.append(Area(float(centre_x), float(centre_y), float(area), outline))
    return tuple(sorted(found, key=lambda one: -one.area_mm2))
