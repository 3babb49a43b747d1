"""An inspection drawn on its photo, with the score and its reasons on a panel below."""

from typing import Final

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from trayvision.inspection.inspection import Inspection, TrayInspection
from trayvision.measurement import give_or_take
from trayvision.measures.evenness import Area
from trayvision.measures.mould import MouldPatch
from trayvision.overlay.ground import VISIBLE_STEP_PX, Ground
from trayvision.overlay.marks import Label, LabelBoard, hatch, patch_attention, ring, stroke
from trayvision.overlay.panel import draw_panel, marked_patches
from trayvision.overlay.text import BODY_SHARE, INK, PAPER, STRAW, Type
from trayvision.reference_kit import BAR_WIDTH_MM, STRIP_WIDTH_MM
from trayvision.score.health_score import Attention, likelihood_words
from trayvision.segmentation.pixel_classes import TrayClass

FloatArray = npt.NDArray[np.float64]
Picture = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]

# Rings keep this far off what they ring.
RING_GAP_MM: Final = 3.0
_WORDED_PATCHES: Final = 4
_WORDED_SHARE: Final = 0.001
# Said as 100 % judged, so no place is worded as not judged.
_AS_GOOD_AS_ALL: Final = 0.995
_SMALLEST_UNJUDGED_MM2: Final = 150.0


def draw_overlay(inspection: Inspection) -> Picture:
    """Draw an inspection for the grower who wants to see what was measured, and where.

    Parameters
    ----------
    inspection : Inspection
        Of one photo with any number of trays, or of a whole photo.

    Returns
    -------
    (h, w, 3) uint8 RGB array
        The part of the photo that holds the trays, its long side 1000 to 1600 px, and below it
        a panel of the same width.
    """
    ground = Ground.of(inspection)
    picture = ground.picture()
    for tray in inspection.trays:
        _draw_areas(picture, ground, tray)
        _draw_outline(picture, ground, tray)
    for tray in inspection.trays:
        _draw_height(picture, ground, tray)
        for patch in marked_patches(tray):
            around = ring_around(ground.from_plan(tray, _patch_outline(patch)))
            width, attention = ground.pen_px, patch_attention(patch)
            ring(picture, around, width=width, attention=attention)
    written = _write_labels(picture, ground, inspection)
    return np.concatenate([written, draw_panel(inspection, ground.size[0])])


def ring_around(outline_px: FloatArray) -> FloatArray:
    """(64, 2) a closed ellipse around an outline of (n, 2) px, axes along its spread."""
    centre = (outline_px.min(axis=0) + outline_px.max(axis=0)) / 2
    offsets = outline_px - centre
    _, _, axes = np.linalg.svd(offsets - offsets.mean(axis=0), full_matrices=False)
    along = offsets @ axes.T
    half = np.maximum(np.abs(along).max(axis=0), 1.0)
    # The smallest ellipse of these proportions that holds every point.
    grow = max(1.0, float(np.hypot(*(along / half).T).max()))
    turn = np.linspace(0, 2 * np.pi, 64, endpoint=False)
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    return np.asarray(centre + (circle * half * grow) @ axes)


def _patch_outline(patch: MouldPatch) -> FloatArray:
    """(n, 2) mm, `RING_GAP_MM` outside the patch; of a circle where no outline is given."""
    centre = np.array([patch.x_mm, patch.y_mm])
    if len(patch.outline_mm) < 3:
        turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
        circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
        return centre + (patch.diameter_mm / 2 + RING_GAP_MM) * circle
    offsets = patch.outline_mm - centre
    distance = np.maximum(np.hypot(offsets[:, 0], offsets[:, 1]), 1e-9)[:, None]
    return np.asarray(centre + offsets * (1 + RING_GAP_MM / distance))


def _draw_areas(picture: Picture, ground: Ground, tray: TrayInspection) -> None:
    pen = ground.pen_px
    rim = ground.rim(tray)
    unjudged = _plan_outlines(ground, tray, _unjudged(tray))
    hatch(picture, unjudged, period=4.5 * pen, slopes=(-1,), strength=0.5, within=rim)
    bare = [ground.from_plan(tray, area.outline_mm) for area in _bare(tray)]
    hatch(picture, bare, period=4.5 * pen, slopes=(1,), strength=0.8)
    slime = _plan_outlines(ground, tray, _slime(tray))
    hatch(picture, slime, period=6 * pen, slopes=(1, -1), strength=0.8)
    for outline in [*bare, *slime]:
        stroke(picture, outline, width=0.4 * pen, inner=PAPER, outer=INK, closed=True)


def _bare(tray: TrayInspection) -> tuple[Area, ...]:
    return tray.evenness.bare_floor + tray.evenness.bare_areas


def _unjudged(tray: TrayInspection) -> Mask:
    mask = cv2.medianBlur((~tray.plan.judged).astype(np.uint8), 5)
    return mask > 0


def _slime(tray: TrayInspection) -> Mask:
    if not tray.mould.slime:
        return np.zeros_like(tray.plan.judged)
    share = cv2.GaussianBlur(tray.plan.share(TrayClass.SLIME) * tray.plan.judged, (0, 0), 1.5)
    return np.asarray(share > 0.4)


def _plan_outlines(ground: Ground, tray: TrayInspection, mask: Mask) -> list[FloatArray]:
    """Outlines, holes included, of a plan's mask on the overlay; specks are left out."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    least = _SMALLEST_UNJUDGED_MM2 / tray.plan.grid.mm_per_px**2
    outlines = []
    for contour in contours:
        if cv2.contourArea(contour) < least:
            continue
        points = contour[:, 0, :].astype(np.float64)
        x, y = tray.plan.grid.to_mm(points[:, 0], points[:, 1])
        outlines.append(ground.from_plan(tray, np.stack([x, y], axis=1)))
    return outlines


def _draw_outline(picture: Picture, ground: Ground, tray: TrayInspection) -> None:
    rim = ground.rim(tray)
    if rim is not None:
        stroke(picture, rim, width=ground.pen_px, inner=PAPER, outer=INK, closed=True)


def _height_tick(ground: Ground, tray: TrayInspection) -> FloatArray | None:
    """(2, 2) px ends of the line across the strip where the canopy hides it."""
    height = tray.height.canopy_height_mm.value
    if tray.pose is None or height is None:
        return None
    across = np.array([-0.75, 0.75]) * STRIP_WIDTH_MM
    tick = ground.from_tray(tray, tray.pose.size.strip_points_mm(np.full(2, height), across))
    return tick if np.isfinite(tick).all() else None


def _draw_height(picture: Picture, ground: Ground, tray: TrayInspection) -> None:
    tick = _height_tick(ground, tray)
    if tick is not None:
        pen = 1.3 * ground.pen_px
        stroke(picture, tick, width=pen, inner=STRAW, outer=INK, closed=False)


def _write_labels(picture: Picture, ground: Ground, inspection: Inspection) -> Picture:
    image = Image.fromarray(picture)
    canvas = ImageDraw.Draw(image)
    board = LabelBoard(ground.size, Type(round(BODY_SHARE * ground.size[0])))
    labels = []
    for tray in inspection.trays:
        labels += _tray_labels(ground, tray, board)
    board.write(canvas, labels)
    return np.asarray(image)


def _tray_labels(ground: Ground, tray: TrayInspection, board: LabelBoard) -> list[Label]:
    labels = []
    rim = ground.rim(tray)
    if rim is not None:
        board.prefer_clear(rim)
    for area in _bare(tray):
        board.keep_clear(ground.from_plan(tray, area.outline_mm))
    if tray.pose is not None:
        bar_middle = np.array([[-(tray.pose.size.length_mm + BAR_WIDTH_MM) / 2, 0.0, 0.0]])
        at = ground.from_tray(tray, bar_middle)[0]
        words = "Marked tray" if tray.number is None else f"Tray {tray.number}"
        labels.append(Label((words,), (float(at[0]), float(at[1]))))
    for number, patch in enumerate(marked_patches(tray), start=1):
        around = ring_around(ground.from_plan(tray, _patch_outline(patch)))
        board.keep_clear(around)
        labels.append(_patch_label(tray, patch, number, around))
    tick = _height_tick(ground, tray)
    if tick is not None:
        board.keep_clear(tick)
        height = tray.height.canopy_height_mm
        assert height.value is not None and height.uncertainty is not None
        spread = f"give or take {give_or_take(height.uncertainty)}"
        labels.append(_pointing(tick, (f"{height.value:.0f} mm high,", spread)))
    return labels + _area_labels(ground, tray)


def _patch_label(tray: TrayInspection, patch: MouldPatch, number: int, around: FloatArray) -> Label:
    size = (f"{patch.diameter_mm:.0f} mm",) if tray.in_mm else ()
    likely = (likelihood_words(patch.likelihood),) if number <= _WORDED_PATCHES else ()
    return _pointing(around, size + likely, patch_attention(patch), str(number))


def _area_labels(ground: Ground, tray: TrayInspection) -> list[Label]:
    """One word for the largest area of each hatch."""
    bare = [ground.from_plan(tray, area.outline_mm) for area in tray.evenness.bare_areas]
    floor = [ground.from_plan(tray, area.outline_mm) for area in tray.evenness.bare_floor]
    unjudged = tray.plan.seen < _AS_GOOD_AS_ALL
    groups = (
        ("no shoots", bare[:1]),
        ("bare floor", floor[:1]),
        ("slime?", _plan_outlines(ground, tray, _slime(tray))),
        ("cannot tell", _plan_outlines(ground, tray, _unjudged(tray)) if unjudged else []),
    )
    least = _WORDED_SHARE * ground.size[0] * ground.size[1] / VISIBLE_STEP_PX**2
    labels = []
    for word, outlines in groups:
        shown = ground.visible(outlines, ground.rim(tray))
        if len(shown) > least:
            middle = np.hypot(*(shown - shown.mean(axis=0)).T).argmin()
            x, y = shown[middle].tolist()
            labels.append(Label((word,), (x, y), reach=ground.pen_px))
    return labels


def _pointing(
    points: FloatArray,
    lines: tuple[str, ...],
    attention: Attention = Attention.QUIET,
    number: str = "",
) -> Label:
    """A label beside (n, 2) px."""
    centre = (points.min(axis=0) + points.max(axis=0)) / 2
    reach = float(np.hypot(*(points - centre).T).max())
    return Label(lines, (float(centre[0]), float(centre[1])), reach, attention, number)
