"""Packs pieces to cut out onto as few sheets as a simple row-by-row fill needs."""

from collections.abc import Sequence
from dataclasses import dataclass

from trayvision.kit.pieces import Piece

# Home printers leave at least 6 mm blank; the foot holds the check line.
MARGIN_MM = 8.0
FOOT_MM = 19.0
GAP_MM = 3.0


@dataclass(frozen=True)
class Placed:
    """A piece's lower left corner on its page, mm; turned pieces lie a quarter turn left."""

    piece: Piece
    x: float
    y: float
    turned: bool

    @property
    def width_mm(self) -> float:
        """Extent along the page's width."""
        return self.piece.height_mm if self.turned else self.piece.width_mm

    @property
    def height_mm(self) -> float:
        """Extent along the page's height."""
        return self.piece.width_mm if self.turned else self.piece.height_mm


@dataclass(frozen=True)
class PackedPage:
    """One page of (width, height) mm and what lies on it."""

    page_mm: tuple[float, float]
    placed: tuple[Placed, ...]


def longest_piece_mm(paper_mm: tuple[float, float]) -> float:
    """Length of the longest piece that the paper takes, lying along its long side."""
    return max(paper_mm) - 2 * MARGIN_MM


def pack(pieces: Sequence[Piece], paper_mm: tuple[float, float]) -> tuple[PackedPage, ...]:
    """Lay pieces out in their order on pages; the way round that needs fewest pages is taken.

    Raises
    ------
    ValueError
        If a piece does not fit the paper either way round.
    """
    short, long = sorted(paper_mm)
    ways = [
        packed
        for page_mm in ((long, short), (short, long))
        for turned in (False, True)
        if (packed := _fill(pieces, page_mm, turned=turned)) is not None
    ]
    if not ways:
        raise ValueError(f"pieces must fit a page of {short:g} x {long:g} mm, got a longer one")
    return min(ways, key=len)


def _fill(
    pieces: Sequence[Piece], page_mm: tuple[float, float], *, turned: bool
) -> tuple[PackedPage, ...] | None:
    right, top = page_mm[0] - MARGIN_MM, page_mm[1] - MARGIN_MM
    pages: list[list[Placed]] = [[]]
    x, row_top, row_height = MARGIN_MM, top, 0.0
    for piece in pieces:
        extent = Placed(piece, 0, 0, turned)
        width, height = extent.width_mm, extent.height_mm
        if width > right - MARGIN_MM or height > top - FOOT_MM:
            return None
        if x + width > right:
            x, row_top, row_height = MARGIN_MM, row_top - row_height - GAP_MM, 0.0
        if row_top - height < FOOT_MM:
            pages.append([])
            x, row_top, row_height = MARGIN_MM, top, 0.0
        pages[-1].append(Placed(piece, x, row_top - height, turned))
        x += width + GAP_MM
        row_height = max(row_height, height)
    return tuple(PackedPage(page_mm, _centred(placed, page_mm)) for placed in pages)


def _centred(placed: Sequence[Placed], page_mm: tuple[float, float]) -> tuple[Placed, ...]:
    used = max((each.x + each.width_mm for each in placed), default=0.0)
    shift = (page_mm[0] - MARGIN_MM - used) / 2
    return tuple(Placed(p.piece, p.x + shift, p.y, p.turned) for p in placed)
