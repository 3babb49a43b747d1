"""Smooth random fields over a tray or a shelf."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from meshes import Array


class SmoothField:
    """Random values on a square lattice, read between its points by smoothstep blending."""

    def __init__(self, rng: np.random.Generator, wavelength_mm: float) -> None:
        self._values = rng.uniform(-1.0, 1.0, (64, 64)).astype(np.float32)
        self._wavelength = wavelength_mm
        self._shift = rng.uniform(0.0, 64.0, 2)

    def at(self, x_mm: Array, y_mm: Array) -> Array:
        """Values of about -1 to 1 at the points."""
        u = x_mm / self._wavelength + self._shift[0]
        v = y_mm / self._wavelength + self._shift[1]
        i, j = np.floor(u).astype(int), np.floor(v).astype(int)
        s, t = u - i, v - j
        s, t = s * s * (3 - 2 * s), t * t * (3 - 2 * t)
        i, j, following, below = i % 64, j % 64, (i + 1) % 64, (j + 1) % 64
        values = self._values
        top = values[i, j] * (1 - s) + values[following, j] * s
        bottom = values[i, below] * (1 - s) + values[following, below] * s
        return np.asarray(top * (1 - t) + bottom * t)


class LayeredField:
    """A sum of smooth fields of halving wavelength."""

    def __init__(
        self, rng: np.random.Generator, wavelength_mm: float, layers: int = 3, fall: float = 0.5
    ) -> None:
        self._layers = [(fall**k, SmoothField(rng, wavelength_mm * 0.47**k)) for k in range(layers)]
        self._total = sum(weight for weight, _ in self._layers)

    def at(self, x_mm: Array, y_mm: Array) -> Array:
        """Values of about -1 to 1 at the points."""
        total = sum(weight * field.at(x_mm, y_mm) for weight, field in self._layers)
        return np.asarray(total / self._total)


def jittered(
    rng: np.random.Generator, x_range: Sequence[float], y_range: Sequence[float], step_mm: float
) -> Array:
    """Points (n, 2), one at a random place of every cell of a grid."""
    columns = max(1, round((x_range[1] - x_range[0]) / step_mm))
    rows = max(1, round((y_range[1] - y_range[0]) / step_mm))
    cell = np.stack(np.meshgrid(np.arange(columns), np.arange(rows), indexing="ij"), -1)
    placed = (cell.reshape(-1, 2) + rng.uniform(0, 1, (columns * rows, 2))) / [columns, rows]
    low = np.array([x_range[0], y_range[0]])
    high = np.array([x_range[1], y_range[1]])
    return np.asarray(low + placed * (high - low))
