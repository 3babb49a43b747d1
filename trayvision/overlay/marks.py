"""Marks on the photo: outlines, rings, hatches and their labels.

Every line is a light stroke inside a dark one, or the other way round, so that it stands out
from seed and shoots alike and without colour.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt
from PIL import ImageDraw

from trayvision.measures.mould import MouldPatch
from trayvision.overlay.text import HOLD_RED, INK, PAPER, Colour, Type
from trayvision.score.expectations import HOLD_LIKELIHOOD
from trayvision.score.health_score import Attention

FloatArray = npt.NDArray[np.float64]
Picture = npt.NDArray[np.uint8]
Box = tuple[float, float, float, float]

_SUBPIXEL_BITS: Final = 4
_LARGEST_PX: Final = 30_000.0


def stroke(
    picture: Picture,
    points: FloatArray,
    *,
    width: float,
    inner: Colour,
    outer: Colour,
    closed: bool,
) -> None:
    """Draw a polyline of (n, 2) px, `width` px wide inside a stroke of twice that width."""
    if not np.isfinite(points).all():
        return
    scaled = np.rint(np.clip(points, -_LARGEST_PX, _LARGEST_PX) * 2**_SUBPIXEL_BITS)
    lines = [scaled.astype(np.int32).reshape(-1, 1, 2)]
    for colour, thickness in ((outer, 2.2 * width), (inner, width)):
        cv2.polylines(
            picture,
            lines,
            closed,
            colour,
            max(1, round(thickness)),
            cv2.LINE_AA,
            _SUBPIXEL_BITS,
        )


def ring(picture: Picture, points: FloatArray, *, width: float, attention: Attention) -> None:
    """Ring a patch: red inside paper where it is to be held, ink inside paper for a look."""
    inner = HOLD_RED if attention is Attention.HOLD else INK
    stroke(picture, points, width=width, inner=inner, outer=PAPER, closed=True)


def hatch(
    picture: Picture,
    outlines: Sequence[FloatArray],
    *,
    period: float,
    slopes: tuple[int, ...],
    strength: float,
    within: FloatArray | None = None,
) -> None:
    """Hatch areas with paired light and dark lines.

    Parameters
    ----------
    picture : (h, w, 3) uint8 array
        Drawn upon.
    outlines : sequence of (n, 2) arrays, px
    period : float
        From line to line, px.
    slopes : tuple of int
        1 for lines falling to the right, -1 for rising ones; both cross.
    strength : float
        0 to 1: how much of the photo the lines hide.
    within : (n, 2) array, px, optional
        No line is drawn outside this outline.
    """
    height, width = picture.shape[:2]
    kept = [outline for outline in outlines if len(outline) > 2 and np.isfinite(outline).all()]
    if not kept:
        return
    every = np.concatenate(kept)
    left, top = np.clip(np.floor(every.min(axis=0)), 0, [width, height]).astype(int)
    right, bottom = np.clip(np.ceil(every.max(axis=0)) + 1, 0, [width, height]).astype(int)
    if right <= left or bottom <= top:
        return
    mask = np.zeros((bottom - top, right - left), dtype=np.uint8)
    shifted = [np.rint(outline - [left, top]).astype(np.int32) for outline in kept]
    cv2.fillPoly(mask, shifted, 1)
    if within is not None and np.isfinite(within).all():
        allowed = np.zeros_like(mask)
        cv2.fillPoly(allowed, [np.rint(within - [left, top]).astype(np.int32)], 1)
        mask &= allowed
    rows, columns = np.arange(top, bottom)[:, None], np.arange(left, right)[None, :]
    region = picture[top:bottom, left:right]
    line = period / 6
    for slope in slopes:
        phase = np.mod(columns - slope * rows, period)
        for colour, begin in ((PAPER, 0.0), (INK, line)):
            here = (phase >= begin) & (phase < begin + line) & (mask > 0)
            mixed = region[here] * (1 - strength) + np.array(colour) * strength
            region[here] = np.rint(mixed).astype(np.uint8)


@dataclass(frozen=True)
class Label:
    """Words for a mark: what it says, where it points, and what it must not cover.

    Parameters
    ----------
    lines : tuple of str
    anchor : (x, y) px
    reach : float
        Radius around the anchor that the label keeps clear of, px.
    attention : Attention
        HOLD puts a filled square before the words, LOOK an open ring, QUIET nothing.
    badge : str
        Number inside the square or ring.
    """

    lines: tuple[str, ...]
    anchor: tuple[float, float]
    reach: float = 0.0
    attention: Attention = Attention.QUIET
    badge: str = ""


@dataclass
class LabelBoard:
    """Places labels on a picture so that they hide neither marks nor each other.

    Parameters
    ----------
    size : (width, height) px
    type : Type
    taken : list of boxes (left, top, right, bottom)
        Already occupied.
    """

    size: tuple[int, int]
    type: Type
    taken: list[Box] = field(default_factory=list)
    _shown: list[Box] = field(default_factory=list)

    def keep_clear(self, points: FloatArray) -> None:
        """Hold the bounding box of (n, 2) px free of labels."""
        if np.isfinite(points).all():
            self.taken.append(_box_of(points))

    def prefer_clear(self, points: FloatArray) -> None:
        """Let labels lie elsewhere than in the bounding box of (n, 2) px where they can."""
        if np.isfinite(points).all():
            self._shown.append(_box_of(points))

    def write(self, canvas: ImageDraw.ImageDraw, labels: Sequence[Label]) -> None:
        """Put labels where they fit best, with a line to what each means if it lies away."""
        boxes = []
        for label in labels:
            boxes.append(self._best_box(label, *self._measure(label)))
            self.taken.append(boxes[-1])
        # All lines before all papers, so that none strikes out a word.
        for label, box in zip(labels, boxes, strict=True):
            self._leader(canvas, label, box)
        for label, box in zip(labels, boxes, strict=True):
            self._paper(canvas, label, box)

    def _paper(self, canvas: ImageDraw.ImageDraw, label: Label, box: Box) -> None:
        pad = self._pad
        edge = max(1, round(self.type.size / 18))
        canvas.rectangle(box, fill=PAPER, outline=INK, width=edge)
        x, y = box[0] + pad, box[1] + pad * 0.7
        if label.badge:
            side = self.type.line_px
            badge(canvas, (x, y), side, attention=label.attention, text=label.badge)
            x += side + pad
        for line in label.lines:
            self.type.draw(canvas, (x, y), line, fill=INK)
            y += self.type.line_px

    @property
    def _pad(self) -> float:
        return 0.3 * self.type.size

    def _measure(self, label: Label) -> tuple[float, float]:
        text = max((self.type.width(line) for line in label.lines), default=0.0)
        badge_px = self.type.line_px + (self._pad if label.lines else 0) if label.badge else 0
        lines = max(len(label.lines), 1)
        return text + badge_px + 2 * self._pad, lines * self.type.line_px + 1.4 * self._pad

    def _best_box(self, label: Label, width: float, height: float) -> Box:
        best, least = (0.0, 0.0, width, height), np.inf
        if label.reach == 0:
            directions = [(0.0, 0.0)]
            steps = [0.0]
        else:
            turns = np.linspace(0, 2 * np.pi, 16, endpoint=False) - np.pi / 4
            directions = [(float(np.cos(turn)), float(np.sin(turn))) for turn in turns]
            steps = [0.4, 1.5, 3.0, 5.0]
        for step in steps:
            away = label.reach + step * self.type.size if label.reach else 0.0
            for across, down in directions:
                x = label.anchor[0] + across * (away + width / 2) - width / 2
                y = label.anchor[1] + down * (away + height / 2) - height / 2
                box = self._inside(x, y, width, height)
                moved = abs(box[0] - x) + abs(box[1] - y)
                cost = _covering(box, self.taken) + 0.2 * _covering(box, self._shown)
                cost += 0.02 * step
                cost += 0.002 * moved / self.type.size
                if cost < least:
                    best, least = box, cost
        return best

    def _inside(self, x: float, y: float, width: float, height: float) -> Box:
        margin = 0.2 * self.type.size
        x = min(max(x, margin), self.size[0] - width - margin)
        y = min(max(y, margin), self.size[1] - height - margin)
        return x, y, x + width, y + height

    def _leader(self, canvas: ImageDraw.ImageDraw, label: Label, box: Box) -> None:
        if label.reach == 0:
            return
        x = min(max(label.anchor[0], box[0]), box[2])
        y = min(max(label.anchor[1], box[1]), box[3])
        offset = np.array([x - label.anchor[0], y - label.anchor[1]])
        distance = float(np.hypot(*offset))
        if distance <= label.reach:
            return
        from_ring = np.array(label.anchor) + offset * (label.reach / distance)
        line = [tuple(from_ring.tolist()), (x, y)]
        thin = max(1, round(self.type.size / 14))
        canvas.line(line, fill=PAPER, width=3 * thin)
        canvas.line(line, fill=INK, width=thin)


def _box_of(points: FloatArray) -> Box:
    left, top = points.min(axis=0).tolist()
    right, bottom = points.max(axis=0).tolist()
    return left, top, right, bottom


def _covering(box: Box, others: list[Box]) -> float:
    """How much a box and others hide each other; even a touch counts."""
    total = 0.0
    for other in others:
        across = min(box[2], other[2]) - max(box[0], other[0])
        down = min(box[3], other[3]) - max(box[1], other[1])
        if across > 0 and down > 0:
            total += 0.2 + across * down / max(min(_area(box), _area(other)), 1.0)
    return total


def _area(box: Box) -> float:
    return (box[2] - box[0]) * (box[3] - box[1])


def badge(
    canvas: ImageDraw.ImageDraw,
    at: tuple[float, float],
    side: float,
    *,
    attention: Attention,
    text: str = "",
) -> None:
    """The sign of an attention level in a square cell: filled square, open ring, or nothing."""
    x, y = at
    inset = 0.06 * side
    box = (x + inset, y + inset, x + side - inset, y + side - inset)
    if attention is Attention.HOLD:
        canvas.rectangle(box, fill=HOLD_RED)
    elif attention is Attention.LOOK:
        canvas.ellipse(box, outline=INK, width=max(2, round(0.09 * side)))
    if text:
        type_ = Type(round(0.68 * side), bold=True)
        fill = PAPER if attention is Attention.HOLD else INK
        left = x + (side - type_.width(text)) / 2
        type_.draw(canvas, (left, y + 0.08 * side), text, fill=fill)


def patch_attention(patch: MouldPatch) -> Attention:
    """Whether a patch of possible mould asks for a look or for holding the tray."""
    held = patch.likelihood >= HOLD_LIKELIHOOD.value
    return Attention.HOLD if held else Attention.LOOK
