"""Line figures of the kit's guide: a tray from above, bar B's end from the side, a shelf camera."""

from math import radians, tan

from trayvision.kit.drawing import CUT_GREY, INK, SOFT_INK, Pen
from trayvision.kit.shelf_camera import CAMERA_HANGS_MM, ShelfCamera
from trayvision.reference_kit import (
    BAR_WIDTH_MM,
    HEAD_SLOPE_LENGTH_MM,
    HEAD_TAG_Y_MM,
    HEAD_WIDTH_MM,
    STRIP_BAND_MM,
    STRIP_TOP_MM,
    TAG_EDGE_MM,
    TraySize,
)

PLASTIC = 0.86
CANOPY = 0.74
PHONE_ABOVE_RIM_MM = 550.0


def draw_tray_from_above(pen: Pen, size: TraySize, width_mm: float) -> None:
    """The tray with its kit, `width_mm` wide on paper from the origin.

    Its tags are likenesses only: a readable one would make the guide a second tray in a photo.
    """
    scale = width_mm / (size.length_mm + 2 * BAR_WIDTH_MM + 40)
    length, width = size.length_mm * scale, size.width_mm * scale
    bar = BAR_WIDTH_MM * scale
    left, low = bar, 0.0
    pen.polygon(
        [(left, low), (left + length, low), (left + length, low + width), (left, low + width)],
        fill=0.95,
        line_mm=0.3,
    )
    for corner in range(4):
        x, y, _ = size.tag_corners_mm(corner).mean(axis=0)
        if corner in (0, 2):
            pen.frame((left - bar if corner == 0 else left + length, low, bar, width), grey=INK)
        centre = (left + length / 2 + x * scale, low + width / 2 + y * scale)
        _draw_tag_likeness(pen, centre, TAG_EDGE_MM * scale)
    _draw_head_from_above(pen, (left + length, low + width / 2), scale)
    for x, turn, words in ((left - bar / 2, 90, "bar A"), (left + length + bar / 2, 90, "bar B")):
        with pen.moved(x, low + width * (0.5 if "A" in words else 0.22), turn):
            pen.text((0, -0.9), words, size=2.6, align="centre")
    pen.text((left + length / 2, low + width / 2), "the tray", size=5, align="centre")
    pen.text(
        (left + length / 2, low + width / 2 - 5),
        f"{size.length_mm:g} × {size.width_mm:g} mm inside",
        size=2.8,
        align="centre",
        grey=SOFT_INK,
    )
    pen.text((left + 3, low + 2.5), "aisle end", size=2.6, grey=SOFT_INK)
    pen.text((left + length - 3, low + 2.5), "far end", size=2.6, align="right", grey=SOFT_INK)


def _draw_tag_likeness(pen: Pen, centre: tuple[float, float], edge: float) -> None:
    with pen.moved(*centre):
        pen.fill([(-edge / 2, -edge / 2, edge, edge)])
        pen.fill([(-0.25 * edge, -0.25 * edge, 0.5 * edge, 0.5 * edge)], 1.0)
        pen.fill([(-0.12 * edge, -0.12 * edge, 0.24 * edge, 0.24 * edge)])


def _draw_head_from_above(pen: Pen, foot: tuple[float, float], scale: float) -> None:
    deep, wide = HEAD_SLOPE_LENGTH_MM * scale * 0.7071, HEAD_WIDTH_MM * scale
    x, y = foot
    pen.polygon(
        [(x, y - wide / 2), (x + deep, y - wide / 2), (x + deep, y + wide / 2), (x, y + wide / 2)],
        fill=1.0,
        line_mm=0.3,
    )
    for side in (-HEAD_TAG_Y_MM, HEAD_TAG_Y_MM):
        edge = TAG_EDGE_MM * scale
        pen.fill([(x + deep / 2 - edge * 0.35, y + side * scale - edge / 2, edge * 0.7, edge)], 0.1)


def draw_strip_from_the_side(pen: Pen, size: TraySize, scale: float) -> None:
    """Bar B's end cut open from the side: wall, bar, strip with bands, head at 45 degrees.

    The origin is the strip's foot on the tray floor; the tray lies to the left.
    """
    depth, top = size.depth_mm * scale, (size.depth_mm + STRIP_TOP_MM) * scale
    floor_left = -105 * scale
    pen.fill([(floor_left, -1.2, -floor_left + 1.6, 1.2), (0.4, -1.2, 1.2, depth + 1.2)], PLASTIC)
    pen.fill([(1.6, depth - 0.2, BAR_WIDTH_MM * scale, 1.0)], INK)
    bands = int((size.depth_mm + STRIP_TOP_MM) / STRIP_BAND_MM)
    step = STRIP_BAND_MM * scale
    pen.fill([(-1.4, k * step, 1.4, step) for k in range(0, bands, 2)], 0.1)
    pen.frame((-1.4, 0, 1.4, top), grey=INK)
    slope = HEAD_SLOPE_LENGTH_MM * scale * 0.7071
    pen.polygon(
        [(-1.4, top), (slope - 1.4, top + slope), (slope - 0.7, top + slope - 0.7), (-0.4, top)],
        fill=0.1,
    )
    pen.line((-1.4, top), (-1.4, top + slope), dash=(0.8, 0.8), grey=SOFT_INK)
    pen.text((-0.6, top + slope + 1.0), "45°", size=2.8)
    pen.text((1.6 + BAR_WIDTH_MM * scale + 1.5, depth - 0.6), "bar B on the rim", size=2.6)
    pen.text((slope + 1.5, top + slope - 2.5), "head", size=2.6)
    pen.text((2.6, top * 0.62), "printed side", size=2.6)
    pen.text((2.6, top * 0.62 - 3.2), "to the tray", size=2.6)
    pen.text((floor_left, 1.2), "floor", size=2.6, grey=SOFT_INK)
    dimension = floor_left * 0.42
    pen.arrow((dimension, top / 2), (dimension, top))
    pen.arrow((dimension, top / 2), (dimension, 0))
    pen.line((dimension - 1.5, top), (-1.8, top), grey=CUT_GREY)
    words = f"{size.depth_mm + STRIP_TOP_MM:g} mm"
    with pen.moved(dimension - 1.2, top / 2, 90):
        pen.text((0, 0), words, size=2.8, align="centre")


def draw_shelf_camera(pen: Pen, size: TraySize, camera: ShelfCamera, width_mm: float) -> None:
    """Side view of a shelf: tray, canopy as tall as the camera sees it whole, and its angle."""
    scale = width_mm / (size.length_mm * 1.35)
    centre, lens = width_mm / 2, camera.lens_above_floor_mm * scale
    half = size.length_mm / 2 * scale
    seen = max(camera.tallest_canopy_seen_mm(size), 0.0) * scale
    pen.fill(
        [(0, -2.0, width_mm, 1.4), (0, lens + CAMERA_HANGS_MM * scale, width_mm, 1.4)], PLASTIC
    )
    pen.fill([(centre - half, 0, 2 * half, seen)], CANOPY)
    wall = size.depth_mm * scale
    for x in (centre - half - 0.8, centre + half):
        pen.fill([(x, -0.6, 0.8, wall + 0.6)], 0.25)
    pen.fill([(centre - half - 0.8, -0.6, 2 * half + 1.6, 0.6)], 0.25)
    reach = lens * tan(radians(camera.lens_angle_deg) / 2)
    share = min(1.0, width_mm / 2 / reach)
    for side in (-1, 1):
        pen.line((centre, lens), (centre + side * reach * share, lens * (1 - share)), line_mm=0.25)
    pen.fill([(centre - 3, lens, 6, 3.2)], 0.1)
    pen.line((centre, lens + 3.2), (centre, lens + CAMERA_HANGS_MM * scale), line_mm=0.5)
    pen.text((centre, lens - 7), f"{camera.lens_angle_deg:g}°", size=3.2, align="centre")
    x = width_mm - 1.0
    pen.arrow((x, lens / 2), (x, lens))
    pen.arrow((x, lens / 2), (x, 0))
    with pen.moved(x - 1.2, lens * 0.72, 90):
        pen.text((0, 0), f"{camera.lens_above_floor_mm:g} mm", size=2.8, align="centre")
    if seen > 4:
        words = f"whole canopy seen up to {seen / scale:.0f} mm"
        pen.text((centre, seen / 2 - 1), words, size=2.8, align="centre")


def draw_phone_view(pen: Pen, size: TraySize, width_mm: float) -> None:
    """Side view of a phone held over a tray's aisle end: it sees both ends and the strip's face."""
    scale = width_mm / (size.length_mm * 1.5)
    left, right = 0.2 * size.length_mm * scale, 1.2 * size.length_mm * scale
    depth, top = size.depth_mm * scale, (size.depth_mm + STRIP_TOP_MM) * scale
    for x in (left - 0.8, right):
        pen.fill([(x, -0.6, 0.8, depth + 0.6)], 0.25)
    pen.fill([(left - 0.8, -0.6, right - left + 1.6, 0.6)], 0.25)
    pen.fill([(left, 0, right - left, depth * 0.8)], CANOPY)
    bar = BAR_WIDTH_MM * scale
    pen.fill([(left - bar, depth, bar, 0.8), (right, depth, bar, 0.8)], INK)
    pen.fill([(right - 0.8, 0, 0.8, top)], INK)
    slope = HEAD_SLOPE_LENGTH_MM * scale * 0.7071
    pen.line((right - 0.4, top), (right - 0.4 + slope, top + slope), line_mm=0.9)
    lens = (left + 0.16 * (right - left), depth + PHONE_ABOVE_RIM_MM * scale)
    for target in ((left - bar, depth + 0.8), (right + bar, depth + 0.8)):
        pen.line(lens, target, line_mm=0.2)
    pen.line(lens, (right - 0.8, top), line_mm=0.2, dash=(1.0, 1.0), grey=SOFT_INK)
    with pen.moved(*lens, 24):
        pen.fill([(-6.5, -0.2, 13, 1.7)], 0.1)
    x = left - bar - 4
    pen.line((x - 1.5, depth + 0.4), (left - bar, depth + 0.4), grey=CUT_GREY)
    pen.line((x - 1.5, lens[1]), (lens[0] - 6.5, lens[1]), grey=CUT_GREY)
    pen.arrow((x, lens[1] - 5), (x, lens[1]))
    pen.arrow((x, lens[1] - 5), (x, depth + 0.4))
    with pen.moved(x - 1.2, (lens[1] + depth) / 2, 90):
        pen.text((0, 0), "50 to 60 cm", size=2.8, align="centre")
    pen.text((left, -4.4), "aisle end, bar A", size=2.6, grey=SOFT_INK)
    pen.text((right, -4.4), "bar B, strip", size=2.6, align="right", grey=SOFT_INK)
    pen.text((right + 1.6, top * 0.7), "strip", size=2.6)
    pen.text((right + slope + 1.2, top + slope - 2), "head", size=2.6)
