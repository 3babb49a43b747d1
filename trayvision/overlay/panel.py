"""The panel under the photo: the score as a numeral, what it rests on, and what to do next."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from trayvision.inspection.inspection import Inspection, TrayInspection
from trayvision.measurement import give_or_take
from trayvision.measures.mould import MouldPatch
from trayvision.overlay.marks import badge, patch_attention
from trayvision.overlay.text import BODY_SHARE, HOLD_RED, INK, MUTED, PAPER, STRAW, Colour, Type
from trayvision.quality_flags import Doubt
from trayvision.score.expectations import LOOK_LIKELIHOOD, MOULD
from trayvision.score.health_score import Attention, HealthScore, ScorePart, likelihood_words

NEVER_SEEN: Final = "No photo from above shows smell, the roots below, early slime or toxins."
_LISTED_PATCHES: Final = 6
_GAP: Final = 0.2
_ATTENTION_WORDS: Final = {
    Attention.QUIET: "Quiet",
    Attention.LOOK: "Look",
    Attention.HOLD: "Hold: do not feed yet",
}
_WORTH_SAYING: Final = (
    Doubt.BLURRED,
    Doubt.FOGGED,
    Doubt.TOO_COARSE,
    Doubt.DIM,
    Doubt.CLIPPED,
    Doubt.COLOURED_LIGHT,
    Doubt.MIXED_LIGHT,
    Doubt.UNEVEN_LIGHT,
    Doubt.NO_WHITE,
    Doubt.SIZE_DOUBTFUL,
    Doubt.DAY_DOUBTFUL,
    Doubt.OUT_OF_FRAME,
    Doubt.STEEP_VIEW,
    Doubt.NO_KIT,
    Doubt.CORNERS_BY_HAND,
)


_SENTENCES: Final = {str(doubt): doubt.sentence for doubt in Doubt}


@dataclass
class _Sheet:
    """Paper written from top to bottom, as long as what is written on it."""

    width: int
    y: float = 0.0
    _steps: list[Callable[[ImageDraw.ImageDraw], None]] = field(default_factory=list)

    @property
    def margin(self) -> float:
        return 0.04 * self.width

    @property
    def body(self) -> Type:
        return Type(round(BODY_SHARE * self.width))

    @property
    def heading(self) -> Type:
        return Type(round(1.35 * BODY_SHARE * self.width), bold=True)

    def text(self, x: float, text: str, type_: Type, *, fill: Colour = INK) -> None:
        """Wrap `text` between `x` and the right margin and go below it."""
        for line in type_.wrapped(text, self.width - self.margin - x):
            self.line(x, line, type_, fill=fill)
            self.y += type_.line_px

    def line(self, x: float, line: str, type_: Type, *, fill: Colour = INK) -> None:
        """Write one line here without going below it."""
        at = (x, self.y)
        self._steps.append(lambda canvas: type_.draw(canvas, at, line, fill=fill))

    def sign(self, x: float, side: float, attention: Attention, text: str = "") -> None:
        """The sign of an attention level, without going below it."""
        at = (x, self.y)
        self._steps.append(lambda canvas: badge(canvas, at, side, attention=attention, text=text))

    def rule(self) -> None:
        """A straw line from margin to margin."""
        self.y += 0.35 * self.body.size
        ends = [(self.margin, self.y), (self.width - self.margin, self.y)]
        thick = max(1, round(self.width / 300))
        self._steps.append(lambda canvas: canvas.line(ends, fill=STRAW, width=thick))
        self.y += 0.45 * self.body.size

    def picture(self) -> npt.NDArray[np.uint8]:
        """(h, w, 3) of all that was written."""
        image = Image.new("RGB", (self.width, round(self.y + self.margin)), PAPER)
        canvas = ImageDraw.Draw(image)
        for step in self._steps:
            step(canvas)
        return np.asarray(image)


def draw_panel(inspection: Inspection, width: int) -> npt.NDArray[np.uint8]:
    """(h, `width`, 3) uint8: what each tray of a photo scored and why, as lines of text."""
    sheet = _Sheet(width)
    sheet.y = 0.6 * sheet.margin
    for index, tray in enumerate(inspection.trays):
        if index:
            sheet.y += sheet.margin
        _write_tray(sheet, tray)
    for problem in inspection.problems:
        sheet.y += 0.4 * sheet.body.size
        name = "A tray" if problem.number is None else f"Tray {problem.number}"
        sheet.text(sheet.margin, f"{name} is not measured. {problem.sentence}", sheet.body)
    if not inspection.trays and not inspection.problems:
        sheet.text(sheet.margin, "No tray was found in this photo.", sheet.body)
    return sheet.picture()


def tray_title(tray: TrayInspection) -> str:
    """How the tray is called on the overlay."""
    unnamed = "Whole photo" if tray.marked is None else "Marked tray"
    name = unnamed if tray.number is None else f"Tray {tray.number}"
    day = "day not known" if tray.day is None else f"day {tray.day:.1f}".removesuffix(".0")
    return f"{name}, {day}"


def _write_tray(sheet: _Sheet, tray: TrayInspection) -> None:
    _write_score(sheet, tray)
    sheet.rule()
    for part in _by_points(tray.score.parts):
        assert part.points_off is not None
        fill = INK if part.points_off > 0 else MUTED
        _write_reason(sheet, _points_words(tray.score, part.points_off), part.reason, fill=fill)
        if part.name == MOULD:
            _write_patches(sheet, tray)
    for sentence in _unknown_sentences(tray.score):
        _write_reason(sheet, "?", sentence)
    if tray.score.arithmetic:
        _write_reason(sheet, f"={tray.score.value}", " ".join(tray.score.arithmetic))
    _write_limits(sheet, tray)


def _points_words(score: HealthScore, points_off: float) -> str:
    """Nothing is taken off where there is no score to take it off from."""
    if score.value is None:
        return ""
    return f"-{points_off:.3g}" if points_off else "0"


def _write_score(sheet: _Sheet, tray: TrayInspection) -> None:
    score, top = tray.score, sheet.y
    numeral = Type(round(0.15 * sheet.width), bold=True)
    figure = "?" if score.value is None else str(score.value)
    sheet.y = top - 0.14 * numeral.size
    sheet.line(sheet.margin, figure, numeral)
    x = sheet.margin + max(numeral.width("00"), numeral.width(figure)) + 0.8 * sheet.body.size
    sheet.y = top
    sheet.text(x, tray_title(tray), sheet.heading)
    side = sheet.heading.line_px
    quiet = score.attention is Attention.QUIET
    sheet.sign(x, side, score.attention)
    fill = HOLD_RED if score.attention is Attention.HOLD else INK
    words_at = x if quiet else x + side + 0.4 * sheet.body.size
    sheet.text(words_at, _ATTENTION_WORDS[score.attention], sheet.heading, fill=fill)
    if score.range_words is not None:
        sheet.text(x, f"{score.range_words}.", sheet.heading)
    sheet.text(x, _score_sentence(score), sheet.body, fill=MUTED)
    sheet.y = max(sheet.y, top + 0.95 * numeral.size) + 0.3 * sheet.body.size
    for sentence in score.suggestions:
        sheet.text(sheet.margin, sentence, sheet.body, fill=fill)


def _score_sentence(score: HealthScore) -> str:
    if score.value is None:
        return f"No score. {score.reason.sentence if score.reason else ''}".rstrip()
    sentence = "of 100 points"
    if score.uncertainty is not None:
        sentence += f", give or take {give_or_take(score.uncertainty)}"
    return f"{sentence}."


def _write_patches(sheet: _Sheet, tray: TrayInspection) -> None:
    shown = marked_patches(tray)
    if len(shown) < 2:
        return
    for number, patch in enumerate(shown[:_LISTED_PATCHES], start=1):
        x, side = _reason_x(sheet), sheet.body.line_px
        sheet.sign(x, side, patch_attention(patch), str(number))
        size = f"{patch.diameter_mm:.0f} mm, " if tray.in_mm else ""
        words = f"{size}{patch.look}: mould {likelihood_words(patch.likelihood)}"
        sheet.text(x + 1.25 * side, words, sheet.body)
    if len(shown) > _LISTED_PATCHES:
        more = f"and {len(shown) - _LISTED_PATCHES} more, marked in the photo"
        sheet.text(_reason_x(sheet), more, sheet.body)
    sheet.y += _GAP * sheet.body.size


def marked_patches(tray: TrayInspection) -> list[MouldPatch]:
    """The patches that are ringed, in the order of their numbers."""
    return [patch for patch in tray.mould.patches if patch.likelihood >= LOOK_LIKELIHOOD.value]


def _by_points(parts: tuple[ScorePart, ...]) -> list[ScorePart]:
    """Known parts, dearest first."""
    known = [part for part in parts if part.points_off is not None]
    return sorted(known, key=lambda part: -(part.points_off or 0.0))


def _unknown_sentences(score: HealthScore) -> list[str]:
    """What could not be told, one sentence for each reason; a measured part has its own."""
    sentences, doubts = [], dict[str | None, list[ScorePart]]()
    for part in score.parts:
        if part.weight == 0 or part.known:
            continue
        if part.reason.startswith(f"{part.name.capitalize()} cannot be told."):
            doubts.setdefault(part.doubt, []).append(part)
        else:
            sentences.append(_less_said(part.reason, part.doubt, score))
    for doubt, parts in doubts.items():
        names = [part.name for part in parts]
        listed = f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else names[0]
        reason = f"{listed.capitalize()} cannot be told. {_SENTENCES.get(doubt or '', '')}"
        sentences.append(_less_said(reason.rstrip(), doubt, score))
    return sentences


def _less_said(reason: str, doubt: str | None, score: HealthScore) -> str:
    """A reason without the doubt that stands above already, beside the missing score."""
    if doubt != score.reason:
        return reason
    return reason.removesuffix(_SENTENCES.get(doubt or "", "")).rstrip()


def _reason_x(sheet: _Sheet) -> float:
    return sheet.margin + sheet.body.width("-40.5") + 0.6 * sheet.body.size


def _write_reason(sheet: _Sheet, points: str, reason: str, *, fill: Colour = INK) -> None:
    right = _reason_x(sheet) - 0.6 * sheet.body.size
    bold = Type(sheet.body.size, bold=True)
    sheet.line(right - bold.width(points), points, bold, fill=fill)
    sheet.text(_reason_x(sheet), reason, sheet.body, fill=fill)
    sheet.y += _GAP * sheet.body.size


def _write_limits(sheet: _Sheet, tray: TrayInspection) -> None:
    sheet.rule()
    not_asked = [part.name for part in tray.score.parts if part.weight == 0]
    said = {tray.score.reason, *(part.doubt for part in tray.score.parts)}
    sentences = [
        doubt.sentence for doubt in tray.doubts if doubt in _WORTH_SAYING and doubt not in said
    ]
    if not_asked:
        sentences.append(f"Not asked at this age: {', '.join(not_asked)}.")
    if tray.plan.seen < 0.95:
        sentences.append(f"{100 * tray.plan.seen:.0f} % of the tray could be judged.")
    smallest = None if tray.sharpness is None else tray.sharpness.smallest_patch_mm.value
    if smallest is not None:
        sentences.append(f"A patch under {smallest:.0f} mm would not show in this photo.")
    sheet.text(sheet.margin, " ".join([*sentences, NEVER_SEEN]), sheet.body, fill=MUTED)
