"""The pieces of the kit as they are cut out: end bars, height strip and head, whole or in parts."""

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil
from typing import Literal

from trayvision.kit.drawing import CAPITAL, SOFT_INK, Pen, text_width_mm
from trayvision.reference_kit import (
    BAR_WIDTH_MM,
    HEAD_SLOPE_LENGTH_MM,
    HEAD_TAG_Y_MM,
    HEAD_WIDTH_MM,
    STRIP_BAND_MM,
    STRIP_TOP_MM,
    STRIP_WIDTH_MM,
    TraySize,
    tag_id,
)

GLUE_TAB_MM = 15.0
FOLD_TAB_MM = 12.0
TAG_CHIP_MM = 40.0
# A bar whose tags leave less than this between them carries its number on a flap outside.
NARROWEST_LABEL_MM = 30.0
LABEL_FLAP_MM = 12.0


@dataclass(frozen=True)
class Piece:
    """One part to cut out: its outline in mm and what draws it, origin in its lower left corner."""

    number: int
    width_mm: float
    height_mm: float
    draw: Callable[[Pen], None]


@dataclass(frozen=True)
class Span:
    """Part of a length that is printed in several: from `start` to `end` mm of the whole."""

    start: float
    end: float
    is_first: bool
    is_last: bool

    @property
    def printed_mm(self) -> float:
        """Length on paper, the glue tab of all but the last part included."""
        return self.end - self.start + (0 if self.is_last else GLUE_TAB_MM)


def split_length(length_mm: float, limit_mm: float) -> tuple[Span, ...]:
    """Equal parts of a length, each with its glue tab no longer than the page's `limit_mm`."""
    count = 1
    if length_mm > limit_mm:
        count = ceil(length_mm / (limit_mm - GLUE_TAB_MM))
    part = length_mm / count
    return tuple(
        Span(k * part, (k + 1) * part, is_first=k == 0, is_last=k == count - 1)
        for k in range(count)
    )


def bar_pieces(
    number: int, end: Literal["A", "B"], size: TraySize, limit_mm: float
) -> tuple[Piece, ...]:
    """An end bar as long as the tray's inner width, page up = +X, page left = +Y."""
    spans = split_length(size.width_mm, limit_mm)
    flap = size.width_mm - 2 * TAG_CHIP_MM < NARROWEST_LABEL_MM
    height = BAR_WIDTH_MM + (LABEL_FLAP_MM if flap else 0)

    def drawing(span: Span) -> Callable[[Pen], None]:
        return lambda pen: _draw_bar(pen, number, end, size, span)

    return tuple(Piece(number, span.printed_mm, height, drawing(span)) for span in spans)


def strip_pieces(number: int, size: TraySize, limit_mm: float) -> tuple[Piece, ...]:
    """The height strip lying on its side, tray floor at the page's left, with its fold tab."""
    length = STRIP_TOP_MM + size.depth_mm
    spans = split_length(length, limit_mm - FOLD_TAB_MM)

    def drawing(span: Span) -> Callable[[Pen], None]:
        return lambda pen: _draw_strip(pen, number, span)

    return tuple(
        Piece(
            number,
            span.printed_mm + (FOLD_TAB_MM if span.is_last else 0),
            STRIP_WIDTH_MM,
            drawing(span),
        )
        for span in spans
    )


def head_piece(number: int) -> Piece:
    """The plate on the strip's top, page up = up the slope, page left = +Y."""
    return Piece(number, HEAD_WIDTH_MM, HEAD_SLOPE_LENGTH_MM, lambda pen: _draw_head(pen, number))


def _draw_bar(pen: Pen, number: int, end: Literal["A", "B"], size: TraySize, span: Span) -> None:
    length = size.width_mm
    # Bar A has the tray above it on the page, bar B below; a flap lies on the other side.
    tray_above = end == "A"
    free = length - 2 * TAG_CHIP_MM
    flap = free < NARROWEST_LABEL_MM
    base = LABEL_FLAP_MM if flap and tray_above else 0.0
    for corner, x in zip((0, 1) if tray_above else (3, 2), (20.0, length - 20.0), strict=True):
        if span.start <= x <= span.end:
            pen.tag((x - span.start, base + BAR_WIDTH_MM / 2), tag_id(number, corner))
    if flap:
        _draw_flap(pen, f"tray {number} · bar {end}", length, fold_above=tray_above)
        pen.frame((0, 0, span.printed_mm, BAR_WIDTH_MM + LABEL_FLAP_MM))
        return
    left = max(span.start, TAG_CHIP_MM) - span.start
    right = min(span.end, length - TAG_CHIP_MM) - span.start
    _draw_bar_label(pen, f"{number} {end}", (left, right), tray_above=tray_above)
    _draw_joint(pen, span, BAR_WIDTH_MM)
    pen.frame((0, 0, span.printed_mm, BAR_WIDTH_MM))


def _draw_bar_label(
    pen: Pen, words: str, between: tuple[float, float], *, tray_above: bool
) -> None:
    left, right = between
    middle, room = (left + right) / 2, right - left - 8
    size = min(17.0, 17.0 * room / text_width_mm(words, 17.0, bold=True))
    pen.text(
        (middle, BAR_WIDTH_MM / 2 - CAPITAL * size / 2), words, size=size, bold=True, align="centre"
    )
    edge, inward = (BAR_WIDTH_MM, -1.0) if tray_above else (0.0, 1.0)
    caption = "this edge to the tray" if room > 70 else "tray"
    pen.text(
        (middle, edge + inward * (3.2 if tray_above else 1.6)),
        caption,
        size=2.6,
        align="centre",
        grey=SOFT_INK,
    )
    reach = text_width_mm(caption, 2.6) / 2 + 3.5
    for x in (middle - reach, middle + reach):
        _draw_pointer(pen, (x, edge + inward * 0.9), inward)


def _draw_pointer(pen: Pen, tip: tuple[float, float], inward: float) -> None:
    x, y = tip
    pen.polygon([(x, y), (x - 1.7, y + inward * 2.6), (x + 1.7, y + inward * 2.6)], fill=0.1)


def _draw_flap(pen: Pen, words: str, length: float, *, fold_above: bool) -> None:
    fold = LABEL_FLAP_MM if fold_above else BAR_WIDTH_MM
    base = 0.0 if fold_above else BAR_WIDTH_MM
    pen.line((0, fold), (length, fold), dash=(1.5, 1.5), grey=SOFT_INK)
    size = min(6.5, 6.5 * (length - 6) / text_width_mm(words, 6.5, bold=True))
    pen.text((length / 2, base + 5.2), words, size=size, bold=True, align="centre")
    pen.text(
        (length / 2, base + 1.6),
        "fold down · away from the tray",
        size=2.4,
        align="centre",
        grey=SOFT_INK,
    )


def _draw_joint(pen: Pen, span: Span, height: float) -> None:
    """Marks of the joint: a tab with a line to lay the next part's edge on, ticks that meet."""
    marks = (height * 0.25, height * 0.75)
    if not span.is_first:
        for y in marks:
            pen.line((0, y), (3, y), line_mm=0.3)
    if span.is_last:
        return
    joint = span.end - span.start
    pen.line((joint, 0), (joint, height), line_mm=0.25)
    for y in marks:
        pen.line((joint - 3, y), (joint + 3, y), line_mm=0.3)
    with pen.moved(joint + 9.5, height / 2, -90):
        pen.text((0, 0), "glue tab", size=2.8, align="centre")
        pen.text((0, -4), "next part's edge on the line", size=2.1, align="centre", grey=SOFT_INK)


def _draw_strip(pen: Pen, number: int, span: Span) -> None:
    length = span.end - span.start
    bands = []
    for band in range(0, ceil(span.end / STRIP_BAND_MM), 2):
        low = max(band * STRIP_BAND_MM, span.start) - span.start
        high = min((band + 1) * STRIP_BAND_MM, span.end) - span.start
        if high > low:
            bands.append((low, 0.0, high - low, STRIP_WIDTH_MM))
    pen.fill(bands)
    # The joint's line and ticks would be read as bands, so only the tab beyond it is marked.
    tab = GLUE_TAB_MM if not span.is_last else FOLD_TAB_MM
    pen.frame((0, 0, length + tab, STRIP_WIDTH_MM))
    pen.line((length, 0), (length, STRIP_WIDTH_MM), dash=(1.5, 1.5), grey=SOFT_INK)
    with pen.moved(length + tab / 2, STRIP_WIDTH_MM / 2, -90):
        pen.text((0, 0.2), f"{number}", size=6.0, bold=True, align="centre")
        words = "fold back · head over it" if span.is_last else "glue tab · next part up to line"
        pen.text((0, -3.6), words, size=2.0, align="centre", grey=SOFT_INK)


def _draw_head(pen: Pen, number: int) -> None:
    middle = HEAD_WIDTH_MM / 2
    for corner, x in ((4, middle - HEAD_TAG_Y_MM), (5, middle + HEAD_TAG_Y_MM)):
        pen.tag((x, HEAD_SLOPE_LENGTH_MM / 2), tag_id(number, corner))
    pen.text((middle, 15.5), f"{number}", size=11.0, bold=True, align="centre")
    _draw_pointer(pen, (middle, 36.0), -1.0)
    pen.text((middle, 29.5), "up", size=2.8, align="centre", grey=SOFT_INK)
    pen.text((middle, 3.0), "on the strip", size=2.4, align="centre", grey=SOFT_INK)
    pen.frame((0, 0, HEAD_WIDTH_MM, HEAD_SLOPE_LENGTH_MM))
