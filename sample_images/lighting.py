"""Lamps, windows and flashes as rectangular emitters and a faint surrounding light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meshes import Array

KINDS = ("led", "led", "led", "led+window", "window", "bulb", "mixed", "dim", "flash", "grow")
TINTS = {
    "cool": (0.92, 1.0, 1.12),
    "neutral": (1.0, 0.97, 0.92),
    "warm": (1.0, 0.80, 0.56),
    "day": (0.94, 1.0, 1.10),
    "greenish": (0.90, 1.0, 0.82),
    "grow": (1.0, 0.10, 0.85),
}


@dataclass(frozen=True)
class Emitter:
    """A one-sided rectangle; ``irradiance`` is what it gives at the tray's centre, facing it."""

    position_mm: Array
    target_mm: Array
    half_mm: tuple[float, float]
    irradiance: Array

    @property
    def radiance(self) -> Array:
        """Radiance that yields the irradiance, taking the rectangle as small."""
        squared = float(np.sum((self.position_mm - self.target_mm) ** 2))
        return np.asarray(self.irradiance * squared / (4 * self.half_mm[0] * self.half_mm[1]))


@dataclass(frozen=True)
class Light:
    """All light of a scene."""

    kind: str
    tint: str
    ambient: float
    ambient_rgb: Array
    emitters: tuple[Emitter, ...]

    @property
    def illuminant(self) -> Array:
        """Mean colour of the light, green = 1."""
        total = sum((e.irradiance for e in self.emitters), self.ambient * self.ambient_rgb)
        return (
            np.asarray(total / total[1]) if self.tint != "grow" else np.asarray(total / total.max())
        )


def _tint(rng: np.random.Generator, name: str) -> Array:
    tint = np.array(TINTS[name])
    if name == "grow":
        return np.array([1.0, rng.uniform(0.03, 0.35), rng.uniform(0.35, 1.1)])
    return np.asarray(tint * rng.normal(1, 0.04, 3))


def _bars(rng: np.random.Generator, colour: Array, span_mm: float) -> list[Emitter]:
    count = int(rng.integers(1, 3))
    height, lateral = rng.uniform(680, 1000), rng.uniform(-260, 260)
    crosswise = rng.uniform() < 0.25
    found = []
    for k in range(count):
        offset = lateral + (k - (count - 1) / 2) * rng.uniform(180, 400)
        x, y = (offset, 0.0) if crosswise else (rng.uniform(-250, 250), offset)
        halves = (
            (rng.uniform(10, 30), span_mm / 2) if crosswise else (span_mm / 2, rng.uniform(10, 30))
        )
        place = np.array([x, y, height])
        found.append(Emitter(place, np.array([x, y + 0.1, 0.0]), halves, colour / count))
    return found


def _window(rng: np.random.Generator, colour: Array, share: float) -> Emitter:
    angle = rng.uniform(0, 2 * np.pi)
    place = np.array([1500 * np.cos(angle), 1500 * np.sin(angle), rng.uniform(500, 1300)])
    return Emitter(
        place, np.zeros(3), (rng.uniform(300, 600), rng.uniform(300, 700)), colour * share
    )


def random_light(rng: np.random.Generator, kind: str, tint: str, camera_mm: Array) -> Light:
    """Light of the kind (see ``KINDS``) and tint (see ``TINTS``)."""
    colour = _tint(rng, tint)
    ambient, ambient_rgb = rng.uniform(0.1, 0.4), 0.5 * colour + 0.5
    emitters: list[Emitter] = []
    if kind in {"led", "dim", "grow", "led+window", "mixed"}:
        emitters += _bars(rng, colour, rng.uniform(400, 900))
    if kind == "grow":
        ambient, ambient_rgb = rng.uniform(0.03, 0.15), 0.8 * colour + 0.1
    if kind in {"led+window", "window"}:
        share = 1.0 if kind == "window" else rng.uniform(0.2, 0.6)
        emitters.append(_window(rng, _tint(rng, "day"), share))
        ambient_rgb = _tint(rng, "day")
    if kind == "mixed":
        emitters.append(_window(rng, _tint(rng, "warm"), rng.uniform(0.2, 0.6)))
    if kind == "bulb":
        place = np.array([rng.uniform(-350, 350), rng.uniform(-350, 350), rng.uniform(550, 1100)])
        emitters.append(Emitter(place, np.array([0.0, 0.1, 0.0]), (28, 28), colour))
        ambient = rng.uniform(0.05, 0.25)
    if kind == "flash":
        place = camera_mm + np.array([18.0, 9.0, 8.0])
        emitters.append(Emitter(place, np.array([0.0, 0.1, 0.0]), (5, 5), _tint(rng, "day")))
        ambient = rng.uniform(0.05, 0.3)
    return Light(kind, tint, float(ambient), ambient_rgb, tuple(emitters))
