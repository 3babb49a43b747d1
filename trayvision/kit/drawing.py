"""A pen that draws on a PDF page in millimetres, origin in the lower left corner, y up."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Literal

from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase.pdfmetrics import stringWidth

from trayvision.reference_kit import TAG_EDGE_MM
from trayvision.tags.family import tag_cells

INK = 0.10
SOFT_INK = 0.38
CUT_GREY = 0.62
RULE_MM = 0.18
CHECK_LINE_MM = 100.0
# Capital height of Helvetica as a share of the type size.
CAPITAL = 0.718

Rect = tuple[float, float, float, float]
Point = tuple[float, float]


class Pen:
    """Draws in mm on a reportlab canvas; greys run from 0 (black) to 1 (white)."""

    def __init__(self, canvas: Any) -> None:
        self._canvas = canvas

    def new_page(self, size_mm: tuple[float, float], title: str) -> None:
        """Begin a page of (width, height) mm that appears as `title` in the PDF's outline."""
        self._canvas.setPageSize((size_mm[0] * mm, size_mm[1] * mm))
        self._canvas.bookmarkPage(title)
        self._canvas.addOutlineEntry(title, title)
        self._canvas.scale(mm, mm)

    def end_page(self) -> None:
        """Finish the page."""
        self._canvas.showPage()

    @contextmanager
    def moved(self, x: float, y: float, turn_deg: float = 0.0) -> Iterator[None]:
        """Draw with the origin at (x, y), turned counter-clockwise."""
        self._canvas.saveState()
        self._canvas.translate(x, y)
        self._canvas.rotate(turn_deg)
        yield
        self._canvas.restoreState()

    def fill(self, rects: Iterable[Rect], grey: float = 0.0) -> None:
        """Fill (x, y, width, height) rectangles as one shape, so that no seam shows in it."""
        path = self._canvas.beginPath()
        for rect in rects:
            path.rect(*rect)
        self._canvas.setFillGray(grey)
        self._canvas.drawPath(path, stroke=0, fill=1)

    def polygon(
        self, points: Sequence[Point], *, fill: float | None = None, line_mm: float = 0.0
    ) -> None:
        """Closed polygon, filled with a grey, outlined in ink, or both."""
        path = self._canvas.beginPath()
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        path.close()
        self._canvas.setFillGray(fill if fill is not None else 1.0)
        self._canvas.setStrokeGray(INK)
        self._canvas.setLineWidth(line_mm)
        self._canvas.drawPath(path, stroke=int(line_mm > 0), fill=int(fill is not None))

    def line(
        self,
        start: Point,
        end: Point,
        *,
        grey: float = INK,
        line_mm: float = RULE_MM,
        dash: Sequence[float] = (),
    ) -> None:
        """Straight line with square ends."""
        self._canvas.setStrokeGray(grey)
        self._canvas.setLineWidth(line_mm)
        self._canvas.setDash(*((list(dash), 0) if dash else ([], 0)))
        self._canvas.line(*start, *end)
        self._canvas.setDash([], 0)

    def frame(self, rect: Rect, *, grey: float = CUT_GREY, line_mm: float = RULE_MM) -> None:
        """Outline of an (x, y, width, height) rectangle; by default where to cut."""
        self._canvas.setStrokeGray(grey)
        self._canvas.setLineWidth(line_mm)
        self._canvas.rect(*rect, stroke=1, fill=0)

    def text(
        self,
        at: Point,
        words: str,
        *,
        size: float = 3.2,
        bold: bool = False,
        align: Literal["left", "centre", "right"] = "left",
        grey: float = INK,
    ) -> None:
        """One line of type, `size` mm, its baseline at `at`."""
        self._canvas.setFillGray(grey)
        self._canvas.setFont(_font(bold), size)
        draw = {
            "left": self._canvas.drawString,
            "centre": self._canvas.drawCentredString,
            "right": self._canvas.drawRightString,
        }[align]
        draw(*at, words)

    def paragraph(
        self,
        at: Point,
        words: str,
        *,
        width: float,
        size: float = 3.2,
        bold: bool = False,
        grey: float = INK,
    ) -> float:
        """Type set in lines of at most `width` mm below `at`; returns the y where it ends."""
        x, y = at
        for line in simpleSplit(words, _font(bold), size, width):
            y -= 1.36 * size
            self.text((x, y), line, size=size, bold=bold, grey=grey)
        return y

    def arrow(self, tail: Point, tip: Point, *, grey: float = INK) -> None:
        """Thin arrow with a solid head of 2 mm."""
        (x0, y0), (x1, y1) = tail, tip
        length = float(((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5)
        ux, uy = (x1 - x0) / length, (y1 - y0) / length
        foot = (x1 - 2 * ux, y1 - 2 * uy)
        self.line(tail, foot, grey=grey)
        self.polygon(
            [
                tip,
                (foot[0] - 0.8 * uy, foot[1] + 0.8 * ux),
                (foot[0] + 0.8 * uy, foot[1] - 0.8 * ux),
            ],
            fill=grey,
        )

    def tag(self, centre: Point, tag: int) -> None:
        """A tag of the family with its up edge up; white around it is the caller's to keep."""
        self.cells(centre, tag_cells(tag).tolist(), edge_mm=TAG_EDGE_MM)

    def cells(self, centre: Point, white: Sequence[Sequence[bool]], *, edge_mm: float) -> None:
        """A square of cells, rows from the top, black where `white` is false."""
        cell = edge_mm / len(white)
        left, top = centre[0] - edge_mm / 2, centre[1] + edge_mm / 2
        self.fill(
            (left + column * cell, top - (row + 1) * cell, cell, cell)
            for row, line in enumerate(white)
            for column, is_white in enumerate(line)
            if not is_white
        )


def text_width_mm(words: str, size: float, *, bold: bool = False) -> float:
    """Width of one line of type of `size` mm."""
    return float(stringWidth(words, _font(bold), size))


def _font(bold: bool) -> str:
    return "Helvetica-Bold" if bold else "Helvetica"


def draw_foot(pen: Pen, page_mm: tuple[float, float], title: str, number: int) -> None:
    """The foot of every page: a line of 100 mm to check the printer's scale, title and number."""
    left, base = 12.0, 8.0
    pen.fill([(left, base, CHECK_LINE_MM, 1.0)])
    for x in (left, left + CHECK_LINE_MM / 2, left + CHECK_LINE_MM):
        pen.line((x, base - 1.2), (x, base), line_mm=0.15)
    pen.text(
        (left, base + 2.6),
        "This bar is 100 mm long on paper. If it is not, print again at 100 % (actual size).",
        size=2.4,
        grey=SOFT_INK,
    )
    right = page_mm[0] - left
    pen.text((right, base + 2.6), title, size=2.9, align="right")
    words = f"reference kit, version 2 · page {number}"
    pen.text((right, base - 1.2), words, size=2.4, align="right", grey=SOFT_INK)
