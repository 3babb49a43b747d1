"""The printable reference kit: a vector PDF at true scale, in the kit's three levels."""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Literal

from trayvision.kit.drawing import Pen, draw_foot
from trayvision.kit.guide import (
    GUIDE_PAGES,
    GuideFacts,
    KitSection,
    draw_calibration_page,
    draw_camera_page,
    draw_mounting_page,
    number_ranges,
)
from trayvision.kit.packing import PackedPage, Placed, longest_piece_mm, pack
from trayvision.kit.pieces import bar_pieces, head_piece, strip_pieces
from trayvision.kit.shelf_camera import ShelfCamera
from trayvision.kit.words import CARRIED
from trayvision.reference_kit import CARRIED_STRIP_NUMBER, LAST_TRAY_NUMBER, TraySize

Paper = Literal["a4", "letter"]
PAPER_MM: dict[str, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
LEVELS = (1, 2, 3)
CARRIED_WIDTH_MM = 150.0
DEFAULT_SHELF_PITCH_MM = 400.0
DEFAULT_LENS_ANGLE_DEG = 90.0
DEFAULT_CAMERA = ShelfCamera.under_shelf(DEFAULT_SHELF_PITCH_MM, DEFAULT_LENS_ANGLE_DEG)


@dataclass(frozen=True)
class _Page:
    level: int
    title: str
    packed: PackedPage


def write_kit(
    out_path: str | Path,
    *,
    trays: Sequence[int],
    size: TraySize,
    paper: Paper = "a4",
    levels: Collection[int] = LEVELS,
    camera: ShelfCamera = DEFAULT_CAMERA,
) -> tuple[KitSection, ...]:
    """Write the kit of some trays as a PDF; the same call writes the same bytes.

    The guide, the calibration sheet and the carried strip come first, then bar A of every tray
    (level 1), bar B (level 2), a strip and head for every tray (level 3).

    Parameters
    ----------
    out_path : str or Path
        The PDF to write; its folder must exist.
    trays : sequence of int
        Tray numbers, 0 to 95, each once.
    size : TraySize
        Inner size of the trays.
    paper : {"a4", "letter"}
        Paper to print on.
    levels : collection of int
        Which of the levels 1, 2 and 3 to print.
    camera : ShelfCamera
        Camera over the shelf for which the guide says until when it sees the tray.

    Returns
    -------
    tuple of KitSection
        What is on which pages.

    Raises
    ------
    ValueError
        If a tray number is out of range or given twice, none is given, the paper or a level is
        unknown.
    OSError
        If the file cannot be written.
    """
    from reportlab.pdfgen.canvas import Canvas

    _check_order(trays, paper, levels)
    page_mm = PAPER_MM[paper]
    pages = [page for level in (0, *sorted(levels)) for page in _pages(level, trays, size, page_mm)]
    sections = _sections(pages)
    canvas = Canvas(str(out_path), invariant=1, pageCompression=1)
    canvas.setTitle("Trayvision reference kit")
    canvas.setSubject(f"Trays {number_ranges(trays)}, {size} mm")
    pen = Pen(canvas)
    draw_mounting_page(pen, page_mm, GuideFacts(size, number_ranges(trays), sections))
    draw_camera_page(pen, page_mm, size=size, camera=camera)
    draw_calibration_page(pen, page_mm[::-1])
    for number, page in enumerate(pages, start=GUIDE_PAGES + 1):
        pen.new_page(page.packed.page_mm, f"{number} · {page.title}")
        for placed in page.packed.placed:
            _draw_placed(pen, placed)
        if page.level == 0:
            left, low = (min(getattr(each, side) for each in page.packed.placed) for side in "xy")
            pen.paragraph((left, low - 4), CARRIED, width=CARRIED_WIDTH_MM)
        draw_foot(pen, page.packed.page_mm, page.title, number)
        pen.end_page()
    canvas.save()
    return sections


def _check_order(trays: Sequence[int], paper: str, levels: Collection[int]) -> None:
    if not trays:
        raise ValueError("trays must name at least one tray number, got none")
    for number in trays:
        if not 0 <= number <= LAST_TRAY_NUMBER:
            raise ValueError(f"trays must be numbers from 0 to {LAST_TRAY_NUMBER}, got {number!r}")
    if len(set(trays)) != len(trays):
        raise ValueError("trays must name each number once, got some twice")
    if paper not in PAPER_MM:
        raise ValueError(f"paper must be one of {', '.join(PAPER_MM)}, got {paper!r}")
    for level in levels:
        if level not in LEVELS:
            raise ValueError(f"levels must be from 1 to 3, got {level!r}")


def _pages(
    level: int, trays: Sequence[int], size: TraySize, page_mm: tuple[float, float]
) -> Iterator[_Page]:
    limit = longest_piece_mm(page_mm)
    if level == 1:
        name, pieces = "bar A", [bar_pieces(n, "A", size, limit) for n in trays]
    elif level == 2:
        name, pieces = "bar B", [bar_pieces(n, "B", size, limit) for n in trays]
    else:
        numbers = trays if level == 3 else (CARRIED_STRIP_NUMBER,)
        name = "strip" if level == 3 else "carried strip"
        strips = [strip_pieces(n, size, limit) for n in numbers]
        pieces = [*strips, *((head_piece(n),) for n in numbers)]
    for packed in pack(tuple(chain.from_iterable(pieces)), page_mm):
        on_page = number_ranges({placed.piece.number for placed in packed.placed})
        title = (
            f"level {level} · {name} · tray {on_page}" if level else f"{name} · number {on_page}"
        )
        yield _Page(level, title, packed)


def _sections(pages: Sequence[_Page]) -> tuple[KitSection, ...]:
    sections = []
    for level in sorted({page.level for page in pages}):
        at = [k for k, page in enumerate(pages, start=GUIDE_PAGES + 1) if page.level == level]
        sections.append(KitSection(level, at[0], at[-1]))
    return tuple(sections)


def _draw_placed(pen: Pen, placed: Placed) -> None:
    # A quarter turn left about the lower left corner swings the piece out to the left of it.
    x = placed.x + (placed.width_mm if placed.turned else 0.0)
    with pen.moved(x, placed.y, 90.0 if placed.turned else 0.0):
        placed.piece.draw(pen)
