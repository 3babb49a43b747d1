"""Pages printed by the browser, and what stands on the paper."""

from dataclasses import dataclass

import numpy as np
import pypdfium2
from numpy.typing import NDArray
from playwright.sync_api import Page

# ISO 216 and ANSI/ASME Y14.1, mm.
SHEETS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
_PIXELS_PER_POINT = 1.5
_MM_PER_POINT = 25.4 / 72


@dataclass(frozen=True)
class Sheet:
    """One printed page.

    Parameters
    ----------
    text : str
        All words on it, in one line.
    size_mm : (width, height)
    pixels : array, rows by columns by RGB
    """

    text: str
    size_mm: tuple[float, float]
    pixels: NDArray[np.uint8]

    def printed(self) -> NDArray[np.bool_]:
        """Where it is not white."""
        return np.asarray((self.pixels < 250).any(axis=2))

    def most_colour(self) -> int:
        """Largest difference between red, green and blue of one pixel; grey has none."""
        channels = self.pixels.astype(int)
        return int((channels.max(axis=2) - channels.min(axis=2)).max())

    def margins_mm(self) -> tuple[float, float, float, float]:
        """White at the left, right, top and bottom."""
        rows, columns = np.nonzero(self.printed())
        high, wide = self.pixels.shape[:2]
        pixels = (columns.min(), wide - 1 - columns.max(), rows.min(), high - 1 - rows.max())
        mm = [float(count) / _PIXELS_PER_POINT * _MM_PER_POINT for count in pixels]
        return mm[0], mm[1], mm[2], mm[3]


def printed(page: Page, paper: str, *, own_size: bool = False) -> list[Sheet]:
    """The page as it comes out of a printer.

    Parameters
    ----------
    page : Page
    paper : str
        ``"A4"`` or ``"Letter"``: what lies in the printer.
    own_size : bool
        The page says itself on what paper it goes.
    """
    content = page.pdf(format=paper, prefer_css_page_size=own_size, print_background=False)
    document = pypdfium2.PdfDocument(content)
    try:
        return [_sheet(document[number]) for number in range(len(document))]
    finally:
        document.close()


def _sheet(page: pypdfium2.PdfPage) -> Sheet:
    width, height = page.get_size()
    words = page.get_textpage().get_text_bounded()
    bitmap = page.render(scale=_PIXELS_PER_POINT, prefer_bgrx=False).to_pil().convert("RGB")
    return Sheet(
        " ".join(words.split()),
        (width * _MM_PER_POINT, height * _MM_PER_POINT),
        np.asarray(bitmap),
    )
