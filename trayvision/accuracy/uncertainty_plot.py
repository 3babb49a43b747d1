"""Stated uncertainty against the error that was really made."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib import style
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from trayvision.accuracy.page import DPI, INK, SHORT, STRAW, STYLE
from trayvision.accuracy.scores import ComparedValue, PhotoScore
from trayvision.accuracy.table import compared


def draw_uncertainty(scores: Sequence[PhotoScore], path: Path) -> bool:
    """Draw one panel for every measure that has a truth."""
    areas = [patch.area_mm2 for score in scores for patch in score.patches]
    measures = {
        "cover": compared(scores, "cover"),
        "canopy height, mm": compared(scores, "height"),
        "area of found mould, mm²": [area for area in areas if area is not None],
    }
    drawn = {
        name: stated
        for name, values in measures.items()
        if (stated := [value for value in values if value.uncertainty is not None])
    }
    if not drawn:
        return False
    with style.context(STYLE):
        figure = Figure(figsize=(4.0 * len(drawn), 4.2), layout="constrained")
        for place, (name, values) in enumerate(drawn.items()):
            _panel(figure.add_subplot(1, len(drawn), place + 1), name, values)
        figure.savefig(path, dpi=DPI, metadata={"Software": None})
    return True


def _panel(axes: Axes, name: str, values: Sequence[ComparedValue]) -> None:
    stated = np.array([value.uncertainty for value in values], dtype=np.float64)
    real = np.array([abs(value.error) for value in values])
    inside = real <= 1.96 * stated
    top = 1.1 * max(float(stated.max()), 1e-6)
    axes.scatter(stated, real, s=26, c=np.where(inside, STRAW, SHORT).tolist())
    for times, word in ((1.0, "1 σ"), (1.96, "95 %")):
        axes.plot([0, top], [0, times * top], color=INK, lw=0.8)
        axes.annotate(word, (top, times * top), (3, 0), textcoords="offset points")
    axes.set_title(f"{name}\n{inside.sum()} of {inside.size} within their 95 % interval")
    axes.set(xlabel="stated standard uncertainty", ylabel="real error")
