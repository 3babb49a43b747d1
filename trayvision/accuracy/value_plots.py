"""Plots of the measured values: goals, cover, height, corners, shoots, colour."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from trayvision.accuracy.page import INK, SHORT, STRAW, name_worst, page, say_colours
from trayvision.accuracy.scores import PhotoScore
from trayvision.accuracy.table import Goal, colour_differences

# Beyond twice the allowed error, how far does not matter.
_SHOWN_SHARE = 2.0


def _named_bars(count: int) -> tuple[float, float]:
    """Size of a plot with a row and a photo's name for each of `count` photos."""
    return 9.0, 0.21 * count + 1.3


def draw_goals(goals: Sequence[Goal], path: Path) -> bool:
    """Every goal: its error as a share of the allowed error."""
    told = [goal for goal in goals if goal.error_share is not None][::-1]
    if not told:
        return False
    title = "Error as a share of the error that the goal allows"
    with page(path, title, size=(11, 0.36 * len(told) + 1.2)) as axes:
        for row, goal in enumerate(told):
            share = min(goal.error_share or 0.0, _SHOWN_SHARE)
            axes.barh(row, share, height=0.5, color=STRAW if goal.met else SHORT)
            axes.annotate(goal.reached, (_SHOWN_SHARE + 0.06, row), va="center")
        axes.axvline(1.0, color=INK, linewidth=0.9)
        axes.annotate("the goal", (1.03, len(told) - 0.45), va="bottom")
        axes.set_yticks(range(len(told)), [f"{goal.what}: {goal.limit}" for goal in told])
        axes.set_xticks([0, 0.5, 1, 1.5, _SHOWN_SHARE], ["0", "½", "1", "1½", "2 and more"])
        axes.set(xlim=(0, 3.6), ylim=(-0.6, len(told)))
        axes.tick_params(axis="y", length=0)
    return True


def draw_cover(scores: Sequence[PhotoScore], path: Path) -> bool:
    """Error of cover with its 95 % interval against true cover."""
    told = [(score.name, score.cover) for score in scores if score.cover is not None]
    if not told:
        return False
    with page(path, "Cover: measured error against true cover, with 95 % intervals") as axes:
        axes.axhline(0, color=INK, linewidth=0.8)
        for _, value in told:
            colour = SHORT if value.within_interval is False else STRAW
            half = 1.96 * (value.uncertainty or 0.0)
            axes.errorbar(value.truth_low, value.error, half, fmt="o", ms=5, color=colour, lw=1.2)
        name_worst(axes, [(v.truth_low, v.error, abs(v.error), name) for name, v in told])
        axes.set(xlabel="true cover", ylabel="measured less true", xlim=(-0.03, 1.12))
        say_colours(axes, "interval holds the truth", "it does not")
    return True


def draw_height(scores: Sequence[PhotoScore], path: Path) -> bool:
    """Measured height beside the true band of each photo."""
    told = [(score.name, score.height) for score in scores if score.height is not None]
    if not told:
        return False
    told.sort(key=lambda pair: pair[1].truth_low)
    title = "Canopy height: measured (dots) and the true band at the strip (bars)"
    with page(path, title, size=_named_bars(len(told))) as axes:
        for row, (_, value) in enumerate(told):
            width = max(value.truth_high - value.truth_low, 0.5)
            axes.barh(row, width, left=value.truth_low, height=0.6, color="#e5dcc6")
            colour = SHORT if abs(value.error) > 3 else INK
            half = 1.96 * (value.uncertainty or 0.0)
            axes.errorbar(value.value, row, xerr=half, fmt="o", ms=4, lw=1, color=colour)
        axes.set_yticks(range(len(told)), [name for name, _ in told])
        axes.margins(y=0.01)
        axes.set(xlabel="mm above the tray floor; deep red: more than 3 mm outside the band")
    return True


def draw_tag_corners(scores: Sequence[PhotoScore], path: Path) -> bool:
    """Root mean square corner error of each photo."""
    told = [(score.name, score.corner_errors_px) for score in scores if score.corner_errors_px]
    if not told:
        return False
    rms = sorted((float(np.sqrt(np.mean(np.square(e)))), name) for name, e in told)
    title = "Tag corners: rms per photo, tags of 35 px and more"
    with page(path, title, size=_named_bars(len(rms))) as axes:
        values = [value for value, _ in rms]
        colours = [SHORT if value >= 0.3 else STRAW for value in values]
        axes.barh(range(len(rms)), values, height=0.55, color=colours)
        axes.axvline(0.3, color=INK, lw=0.9)
        axes.set_yticks(range(len(rms)), [name for _, name in rms])
        axes.margins(y=0.01)
        axes.set(xlabel="px; line: the goal over all corners")
    return True


def draw_shoots(scores: Sequence[PhotoScore], path: Path) -> bool:
    """Intersection over union of the shoot pixels against true cover."""
    told = [
        (score.shoot_iou, score.truth.cover, score.name)
        for score in scores
        if score.shoot_iou is not None and score.shoot_union_px > 0
    ]
    if not told:
        return False
    with page(path, "Shoot pixels: intersection over union against true cover") as axes:
        for iou, cover, _ in told:
            axes.plot(cover, iou, "o", ms=6, color=STRAW if iou > 0.92 else SHORT)
        axes.axhline(0.92, color=INK, lw=0.9)
        axes.annotate("goal, all pixels pooled", (1.12, 0.9), ha="right", va="top")
        name_worst(axes, [(cover, iou, 1 - iou, name) for iou, cover, name in told])
        axes.set(xlabel="true cover", ylabel="intersection over union", xlim=(-0.03, 1.12))
        axes.set_ylim(0, 1.02)
    return True


def draw_colours(scores: Sequence[PhotoScore], path: Path) -> bool:
    """Colour difference of each pair of white lights."""
    pairs = sorted(colour_differences(scores), key=lambda pair: pair[2])
    if not pairs:
        return False
    title = "Shoot colour of one tray under two white lights, ΔE2000"
    with page(path, title, size=_named_bars(len(pairs))) as axes:
        values = [difference for _, _, difference in pairs]
        colours = [SHORT if value >= 3 else STRAW for value in values]
        axes.barh(range(len(pairs)), values, height=0.55, color=colours)
        axes.axvline(3, color=INK, lw=0.9)
        axes.set_yticks(range(len(pairs)), [f"{one} – {other}" for one, other, _ in pairs])
        axes.set(xlabel="ΔE2000; line: the goal")
    return True
