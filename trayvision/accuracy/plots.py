"""Draws every plot of the accuracy report for the photos of one folder."""

from collections.abc import Callable, Sequence
from pathlib import Path

from trayvision.accuracy.mould_plots import draw_likelihood, draw_mould_patches, draw_series
from trayvision.accuracy.scores import PhotoScore
from trayvision.accuracy.table import Goal
from trayvision.accuracy.uncertainty_plot import draw_uncertainty
from trayvision.accuracy.value_plots import (
    draw_colours,
    draw_cover,
    draw_goals,
    draw_height,
    draw_shoots,
    draw_tag_corners,
)


def draw_plots(
    scores: Sequence[PhotoScore], goals: Sequence[Goal], folder: Path
) -> list[tuple[str, Path]]:
    """Draw every plot that the photos give something for; (caption, file) of each."""
    plots: list[tuple[str, str, Callable[[Sequence[PhotoScore], Path], bool]]] = [
        ("Cover", "cover", draw_cover),
        ("Canopy height", "height", draw_height),
        ("Stated and real error", "uncertainty", draw_uncertainty),
        ("Tag corners", "tag_corners", draw_tag_corners),
        ("Shoot pixels", "shoots", draw_shoots),
        ("Mould patches", "mould_patches", draw_mould_patches),
        ("Mould likelihood", "mould_likelihood", draw_likelihood),
        ("Colour under several lights", "colour", draw_colours),
        ("Series", "series", draw_series),
    ]
    folder.mkdir(parents=True, exist_ok=True)
    overview = folder / "goals.png"
    drawn = [("Every goal", overview)] if draw_goals(goals, overview) else []
    for caption, stem, draw in plots:
        path = folder / f"{stem}.png"
        if draw(scores, path):
            drawn.append((caption, path))
    return drawn
