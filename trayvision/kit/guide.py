"""The kit's guide: how to mount it, where to put a camera, and the calibration sheet."""

from collections.abc import Collection
from dataclasses import dataclass

import cv2

from trayvision.kit.drawing import CUT_GREY, INK, SOFT_INK, Pen, draw_foot
from trayvision.kit.figures import (
    PHONE_ABOVE_RIM_MM,
    draw_phone_view,
    draw_shelf_camera,
    draw_strip_from_the_side,
    draw_tray_from_above,
)
from trayvision.kit.shelf_camera import (
    CAMERA_HANGS_MM,
    TYPICAL_CANOPY_MM,
    ShelfCamera,
    first_blind_day,
)
from trayvision.kit.words import BY_HAND, CAUTIONS, MOUNTING, PHOTO_ADVICE
from trayvision.reference_kit import CHARUCO_SHEET, TraySize


@dataclass(frozen=True)
class KitSection:
    """Consecutive pages of one part of the kit, counted from 1; level 0 is the carried strip."""

    level: int
    first_page: int
    last_page: int

    @property
    def sheets(self) -> int:
        """Sheets of paper, printed on one side."""
        return self.last_page - self.first_page + 1


def number_ranges(numbers: Collection[int]) -> str:
    """Tray numbers as a person writes them: ``0–5, 9``."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]}–{run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs)


GUIDE_PAGES = 3
SIDE_MM = 16.0
BODY_MM = 3.2
PITCHES_MM = (300.0, 400.0, 500.0, 600.0)
LENS_ANGLES_DEG = (70.0, 80.0, 90.0, 100.0, 120.0)


@dataclass(frozen=True)
class GuideFacts:
    """What the guide says of the kit at hand."""

    size: TraySize
    trays: str
    sections: tuple[KitSection, ...]


def draw_mounting_page(pen: Pen, page_mm: tuple[float, float], facts: GuideFacts) -> None:
    """Page 1: what to print for each level and how to put it up."""
    pen.new_page(page_mm, "1 · putting the kit up")
    width = page_mm[0] - 2 * SIDE_MM
    y = _draw_title(pen, page_mm, "The reference kit", f"trays {facts.trays} · {facts.size} mm")
    y = _draw_levels(pen, (SIDE_MM, y - 3), width, facts.sections)
    figure = min(0.66 * width, 75.0 * (facts.size.length_mm + 120) / facts.size.width_mm)
    scale = figure / (facts.size.length_mm + 120)
    high = max(facts.size.width_mm * scale, 52.0)
    base = y - 6 - high
    with pen.moved(SIDE_MM, base + (high - facts.size.width_mm * scale) / 2):
        draw_tray_from_above(pen, facts.size, figure)
    side_scale = high / (facts.size.depth_mm + 180 + 45)
    with pen.moved(SIDE_MM + figure + 24, base):
        draw_strip_from_the_side(pen, facts.size, side_scale)
    y = _draw_columns(pen, (SIDE_MM, base - 8), width, MOUNTING)
    y = _draw_heading(pen, (SIDE_MM, y - 4), width, "Take care")
    for words in CAUTIONS:
        pen.fill([(SIDE_MM, y - 3.8, 1.2, 1.2)], INK)
        y = pen.paragraph((SIDE_MM + 4, y), words, width=width - 4, size=BODY_MM) - 1.2
    draw_foot(pen, page_mm, "putting the kit up", 1)
    pen.end_page()


def draw_camera_page(
    pen: Pen, page_mm: tuple[float, float], *, size: TraySize, camera: ShelfCamera
) -> None:
    """Page 2: where to take the photo from, and until when a camera over the shelf sees."""
    pen.new_page(page_mm, "2 · where to put a camera")
    width = page_mm[0] - 2 * SIDE_MM
    y = _draw_title(pen, page_mm, "Where to put a camera", f"tray {size} mm")
    high = 0.5 * width * (PHONE_ABOVE_RIM_MM + size.depth_mm) / (1.5 * size.length_mm)
    squeeze = min(1.0, 52.0 / high)
    with pen.moved(SIDE_MM + 8, y - 11 - high * squeeze):
        draw_phone_view(pen, size, 0.5 * width * squeeze)
    advice = (SIDE_MM + 0.58 * width, y - 6)
    pen.text((advice[0], advice[1] - 4), "By hand", size=3.7, bold=True)
    pen.paragraph((advice[0], advice[1] - 4.8), BY_HAND, width=0.42 * width, size=BODY_MM)
    y -= max(high * squeeze, 34.0) + 18
    y = _draw_columns(pen, (SIDE_MM, y - 3), width, PHOTO_ADVICE)
    y = _draw_camera_figures(pen, (SIDE_MM, y - 2), width, size, camera)
    days = ", ".join(f"{day}: {height:g}" for day, height in TYPICAL_CANOPY_MM.items())
    words = (
        "Reckoned with a pinhole camera straight above the middle of the tray, the long side of a "
        f"4:3 picture along the tray, the lens {CAMERA_HANGS_MM:g} mm under the next shelf. Canopy "
        f"by day, mm above the tray floor: {days}. That is common practice for barley at 18 to 20 "
        "°C, not a measurement: once your own curves are known, go by them."
    )
    pen.paragraph((SIDE_MM, y), words, width=width, size=2.6, grey=SOFT_INK)
    draw_foot(pen, page_mm, "where to put a camera", 2)
    pen.end_page()


def _draw_camera_figures(
    pen: Pen, at: tuple[float, float], width: float, size: TraySize, camera: ShelfCamera
) -> float:
    """The camera at hand in a side view, and the table of days for other shelves and lenses."""
    x, y = at
    half = (width - 10) / 2
    y = _draw_heading(pen, (x, y - 2), width, "Over the shelf: until which day?")
    y = pen.paragraph((x, y), _verdict(size, camera), width=width, size=3.4) - 6
    scale = half / (size.length_mm * 1.35)
    high = (camera.lens_above_floor_mm + CAMERA_HANGS_MM) * scale
    squeeze = min(1.0, 62.0 / high)
    with pen.moved(x, y - high * squeeze):
        draw_shelf_camera(pen, size, camera, half * squeeze)
    _draw_blind_days(pen, (x + half + 10, y + 3), half, size)
    return y - max(high * squeeze, 46.0) - 7


def draw_calibration_page(pen: Pen, page_mm: tuple[float, float]) -> None:
    """Page 3: the ChArUco sheet of `trayvision calibrate`, in the middle of a wide page."""
    pen.new_page(page_mm, "3 · calibration sheet")
    board = CHARUCO_SHEET
    wide, high = board.columns * board.square_mm, board.rows * board.square_mm
    x0, y0 = (page_mm[0] - wide) / 2, page_mm[1] - 12 - high
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, board.dictionary))
    squares = []
    marker = 0
    for row in range(board.rows):
        for column in range(board.columns):
            x, y = x0 + column * board.square_mm, y0 + high - (row + 1) * board.square_mm
            if (row + column) % 2 == 0:
                squares.append((x, y, board.square_mm, board.square_mm))
                continue
            side = dictionary.markerSize + 2
            cells = (cv2.aruco.generateImageMarker(dictionary, marker, side) > 0).tolist()
            centre = (x + board.square_mm / 2, y + board.square_mm / 2)
            pen.cells(centre, cells, edge_mm=board.marker_mm)
            marker += 1
    pen.fill(squares)
    words = (
        "Lay it flat on a table or tape it to a board. Ten to twenty photos with the camera to be "
        "calibrated: filling the picture, in every corner of it, from the front and slanted. Then: "
        "trayvision calibrate PHOTO... --out CAMERA.json"
    )
    pen.paragraph((x0, y0 - 2), words, width=wide, size=2.8)
    draw_foot(pen, page_mm, "calibration sheet", 3)
    pen.end_page()


def _draw_title(pen: Pen, page_mm: tuple[float, float], title: str, right: str) -> float:
    y = page_mm[1] - 20
    pen.text((SIDE_MM, y), title, size=7.5, bold=True)
    pen.text((page_mm[0] - SIDE_MM, y), right, size=3.2, align="right", grey=SOFT_INK)
    pen.line((SIDE_MM, y - 3), (page_mm[0] - SIDE_MM, y - 3), line_mm=0.35)
    return y - 3


def _draw_heading(pen: Pen, at: tuple[float, float], width: float, words: str) -> float:
    x, y = at
    pen.line((x, y), (x + width, y), grey=CUT_GREY)
    pen.text((x, y - 6), words, size=4.0, bold=True)
    return y - 7.5


def _draw_columns(
    pen: Pen, at: tuple[float, float], width: float, entries: tuple[tuple[str, str], ...]
) -> float:
    """Headed paragraphs in two columns, read row by row; returns where the lower one ends."""
    x, y = at
    column = (width - 8) / 2
    for first in range(0, len(entries), 2):
        ends = []
        for place, (heading, words) in enumerate(entries[first : first + 2]):
            left = x + place * (column + 8)
            pen.text((left, y - 4), f"{first + place + 1}  {heading}", size=3.7, bold=True)
            ends.append(pen.paragraph((left, y - 4.8), words, width=column, size=BODY_MM))
        y = min(ends) - 3.6
    return y


def _draw_levels(
    pen: Pen, at: tuple[float, float], width: float, sections: tuple[KitSection, ...]
) -> float:
    x, y = at
    rows = {
        1: ("1", "bar A on every tray", "number, scale and place; the far end less exact"),
        2: ("2", "bar B as well", "full accuracy over the tray"),
        0: ("3", "one strip, carried from tray to tray", "height, of the tray it stands in"),
        3: ("3", "or a strip on every tray", "height in every photo"),
    }
    columns = (x, x + 13, x + 0.40 * width, x + 0.80 * width, x + width)
    for left, words in zip(columns, ("level", "what to put up", "what it gives"), strict=False):
        pen.text((left, y - 4), words, size=2.6, grey=SOFT_INK)
    pen.text((columns[3] + 8, y - 4), "sheets", size=2.6, align="right", grey=SOFT_INK)
    pen.text((columns[4], y - 4), "pages", size=2.6, align="right", grey=SOFT_INK)
    by_level = {section.level: section for section in sections}
    y -= 5.5
    for level, (name, what, gives) in rows.items():
        section = by_level.get(level)
        pen.line((x, y), (x + width, y), grey=CUT_GREY)
        pen.text((columns[0], y - 4.4), name, size=3.4, bold=True)
        pen.text((columns[1], y - 4.4), what, size=3.2)
        pen.text((columns[2], y - 4.4), gives, size=3.0, grey=SOFT_INK)
        sheets = str(section.sheets) if section else "–"
        pen.text((columns[3] + 8, y - 4.4), sheets, size=3.4, bold=True, align="right")
        pages = number_ranges(range(section.first_page, section.last_page + 1)) if section else "–"
        pen.text((columns[4], y - 4.4), pages, size=3.0, align="right", grey=SOFT_INK)
        y -= 6.6
    pen.line((x, y), (x + width, y), grey=CUT_GREY)
    words = "Each level works without the next. Start with level 1 and the carried strip."
    return pen.paragraph((x, y - 0.5), words, width=width, size=2.8, grey=SOFT_INK)


def _verdict(size: TraySize, camera: ShelfCamera) -> str:
    pitch = camera.lens_above_floor_mm + CAMERA_HANGS_MM
    start = f"Shelves {pitch:g} mm apart, a lens of {camera.lens_angle_deg:g}°: "
    limit = camera.tallest_canopy_seen_mm(size)
    day = first_blind_day(camera, size=size)
    if limit <= 0:
        return start + "not even the empty tray is seen whole. A camera here is of no use."
    if day is None:
        return start + f"the whole tray is seen until harvest (up to {limit:.0f} mm of canopy)."
    return start + (
        f"from day {day} the camera no longer sees the whole canopy (higher than {limit:.0f} mm)."
    )


def _draw_blind_days(pen: Pen, at: tuple[float, float], width: float, size: TraySize) -> None:
    x, y = at
    step = (width - 16) / len(PITCHES_MM)
    pen.text(
        (x, y - 3),
        "first day not seen whole, by shelf to shelf and lens angle",
        size=2.7,
        bold=True,
    )
    pen.text((x, y - 8), "angle", size=2.6, grey=SOFT_INK)
    for place, pitch in enumerate(PITCHES_MM):
        right = x + 16 + (place + 1) * step
        pen.text((right, y - 8), f"{pitch:g} mm", size=2.6, align="right", grey=SOFT_INK)
    y -= 9.5
    for angle in LENS_ANGLES_DEG:
        pen.line((x, y), (x + width, y), grey=CUT_GREY)
        pen.text((x, y - 4.6), f"{angle:g}°", size=3.2)
        for place, pitch in enumerate(PITCHES_MM):
            day = first_blind_day(ShelfCamera.under_shelf(pitch, angle), size=size)
            words = "none" if day is None else "never" if day == 0 else f"day {day}"
            right = x + 16 + (place + 1) * step
            pen.text((right, y - 4.6), words, size=3.2, bold=day == 0, align="right")
        y -= 6.8
    pen.line((x, y), (x + width, y), grey=CUT_GREY)
    pen.text(
        (x, y - 4),
        "none: seen until harvest · never: not even empty",
        size=2.5,
        grey=SOFT_INK,
    )
