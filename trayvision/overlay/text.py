"""Inks, type and text layout of the overlay.

The type is Pillow's own scalable default, so that the same photo gives the same picture on
every machine and no font file has to be carried along.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from PIL import ImageDraw, ImageFont

Colour = tuple[int, int, int]

PAPER: Final[Colour] = (250, 245, 234)
INK: Final[Colour] = (38, 27, 18)
MUTED: Final[Colour] = (84, 68, 52)
STRAW: Final[Colour] = (196, 150, 52)
HOLD_RED: Final[Colour] = (134, 20, 24)

# A letter's height is about 0.7 of its type size: this leaves 2.2 % of the picture's width,
# which a phone 390 px wide shows like print.
BODY_SHARE: Final = 0.033
# Signs that the type lacks; they would come out as empty boxes.
_STAND_INS: Final = str.maketrans(
    {"–": "-", "—": "-", "−": "-", "×": "x", "²": "2", "³": "3", "µ": "u", "’": "'"}
)


@dataclass(frozen=True)
class Type:
    """One size of type; `bold` thickens the strokes."""

    size: int
    bold: bool = False

    @property
    def line_px(self) -> int:
        """From one line to the next."""
        return round(1.32 * self.size)

    @property
    def stroke_px(self) -> float:
        """Extra width to each side of a stroke."""
        return self.size / 75 if self.bold else 0

    def width(self, text: str) -> float:
        """Width of a line in px."""
        return float(_font(self.size).getlength(printable(text))) + 2 * self.stroke_px

    def draw(
        self, canvas: ImageDraw.ImageDraw, at: tuple[float, float], text: str, *, fill: Colour
    ) -> None:
        """Write one line, its cell's upper left corner at `at`."""
        x, y = at
        font = _font(self.size)
        ascent = font.getmetrics()[0]
        canvas.text(
            (x + self.stroke_px, y + ascent),
            printable(text),
            font=font,
            fill=fill,
            anchor="ls",
            stroke_width=self.stroke_px,
            stroke_fill=fill,
        )

    def wrapped(self, text: str, width_px: float) -> list[str]:
        """The text in lines no wider than `width_px`; a longer word has a line to itself."""
        lines: list[str] = []
        for word in text.split():
            joined = f"{lines[-1]} {word}" if lines else word
            if lines and self.width(joined) <= width_px:
                lines[-1] = joined
            else:
                lines.append(word)
        return lines


def printable(text: str) -> str:
    """The text with stand-ins for signs that the type lacks."""
    return text.translate(_STAND_INS)


@lru_cache(maxsize=32)
def _font(size: int) -> ImageFont.FreeTypeFont:
    font = ImageFont.load_default(size)
    if not isinstance(font, ImageFont.FreeTypeFont):
        raise RuntimeError("Pillow must be built with FreeType to write on overlays")
    return font
