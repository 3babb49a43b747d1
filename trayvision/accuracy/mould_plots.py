"""Plots of mould: patches found, likelihood against outcome, series day by day."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from trayvision.accuracy.page import DARK_STRAW, INK, QUIET, SHORT, STRAW, page, say_colours
from trayvision.accuracy.scores import CALLED_MOULD, PhotoScore
from trayvision.accuracy.table import brier_score, largest_patch_mm, series

_BINS = 5


def draw_mould_patches(scores: Sequence[PhotoScore], path: Path) -> bool:
    """Size in the photo and share in sight of every true patch, found or missed."""
    patches = [patch for score in scores for patch in score.patches]
    if not patches:
        return False
    with page(path, "Mould patches: size in the photo and share in sight") as axes:
        for patch in patches:
            fill = STRAW if patch.found else "none"
            edge = DARK_STRAW if patch.found else SHORT
            x = max(patch.patch.diameter_px, 1.0)
            y = min(patch.patch.visible_share, 1.2)
            axes.scatter(x, y, s=40, facecolor=fill, edgecolor=edge, linewidth=1.3)
        axes.axvline(16, color=INK, lw=0.7)
        axes.axhline(0.25, color=INK, lw=0.7)
        axes.annotate("asked for, if 8 mm", (16, 0.25), (5, 5), textcoords="offset points")
        axes.set_xscale("log")
        axes.set_xticks(ticks := [4, 8, 16, 32, 64, 128, 256], [f"{tick}" for tick in ticks])
        axes.minorticks_off()
        axes.set(xlabel="equivalent diameter, px", ylabel="share in sight", ylim=(-0.05, 1.25))
        say_colours(axes, "found", "missed")
    return True


def draw_likelihood(scores: Sequence[PhotoScore], path: Path) -> bool:
    """Stated likelihood against the share that is mould, with the number of patches in each bin."""
    candidates = [candidate for score in scores for candidate in score.candidates]
    brier = brier_score(candidates)
    if brier is None:
        return False
    said = np.array([candidate.likelihood for candidate in candidates])
    real = np.array([candidate.is_mould for candidate in candidates], dtype=np.float64)
    place = np.minimum((said * _BINS).astype(int), _BINS - 1)
    title = f"Mould likelihood and what was there; Brier score {brier:.3f}, n = {said.size}"
    with page(path, title) as axes:
        axes.plot([0, 1], [0, 1], color=INK, lw=0.8)
        for k in np.unique(place):
            inside = place == k
            x, y, n = said[inside].mean(), real[inside].mean(), int(inside.sum())
            spread = np.sqrt((y * (1 - y) + 1 / (4 * n)) / n)
            axes.errorbar(x, y, spread, fmt="o", ms=7, color=STRAW, ecolor=QUIET)
            axes.annotate(f"{n}", (x, y), (7, 4), textcoords="offset points")
        axes.axvline(CALLED_MOULD, color=QUIET, lw=0.7, ls=":")
        axes.set(xlabel="stated likelihood, mean of the bin", ylabel="share that is mould")
        axes.set(xlim=(0, 1.04), ylim=(-0.06, 1.06))
    return True


def draw_series(scores: Sequence[PhotoScore], path: Path) -> bool:
    """Each series day by day: how large the mould is, and what was called mould."""
    runs = series(scores)
    if not runs:
        return False
    title = "Series: true mould (grey, by size) and what was called mould (rings)"
    with page(path, title, size=(6.6, 0.4 * len(runs) + 1.6)) as axes:
        for row, run in enumerate(runs):
            for score in run:
                size = largest_patch_mm(score)
                axes.plot(score.truth.day, row, ".", ms=3, color=INK)
                axes.scatter(score.truth.day, row, s=2.5 * size, color="#cfc6b2")
                if score.false_patches or any(patch.found for patch in score.patches):
                    colour = SHORT if score.false_patches else STRAW
                    axes.scatter(score.truth.day, row, s=120, facecolor="none", edgecolor=colour)
        axes.set_yticks(range(len(runs)), [f"tray {run[0].truth.tray_number}" for run in runs])
        axes.set(xlabel="day; deep red ring: at least one false patch", ylim=(-0.7, len(runs)))
    return True
