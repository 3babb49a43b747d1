"""The reference kit of a tray as points and as printed meshes (see docs: reference kit)."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from meshes import Array, Mesh, join, quads

TAG_MM = 30.0
CHIP_MM = 40.0
BAR_MM = 40.0
STRIP_TOP_MM = 180.0
SLOPE = np.array([1.0, 0.0, 1.0]) / np.sqrt(2.0)
LEFT = np.array([0.0, 1.0, 0.0])


@dataclass(frozen=True)
class TraySize:
    """Inner length along X, width along Y and depth of a tray."""

    length_mm: float
    width_mm: float
    depth_mm: float


@dataclass(frozen=True)
class KitParts:
    """Which parts of the kit a tray carries."""

    bar_a: bool = True
    bar_b: bool = True
    strip: bool = True


def tag_frames(size: TraySize) -> list[tuple[Array, Array]]:
    """Centre and printed-up direction of the six tags, corner 0 to 5."""
    x, y = size.length_mm / 2 + 20, size.width_mm / 2 - 20
    ahead = np.array([1.0, 0.0, 0.0])
    rim = [
        (np.array([sx * x, sy * y, 0.0]), ahead) for sx, sy in [(-1, 1), (-1, -1), (1, -1), (1, 1)]
    ]
    foot = np.array([size.length_mm / 2, 0.0, STRIP_TOP_MM])
    return rim + [(foot + 20 * SLOPE + side * LEFT, SLOPE) for side in (28.0, -28.0)]


def tag_corners(size: TraySize) -> Array:
    """Corners (6, 4, 3) of the black squares: printed up-left, up-right, down-right, down-left."""
    half = TAG_MM / 2
    return np.array(
        [
            [centre + half * (up_sign * up + left_sign * LEFT)
             for up_sign, left_sign in [(1, 1), (1, -1), (-1, -1), (-1, 1)]]
            for centre, up in tag_frames(size)
        ]
    )  # fmt: skip


def _chip_pattern(tag_id: int) -> Array:
    """10 x 10 cells of a chip, True where black; the outer ring is the quiet zone."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    picture = cv2.aruco.generateImageMarker(dictionary, tag_id, 8)
    return np.pad(picture < 128, 1)


def _chip(centre: Array, up: Array, tag_id: int, tones: tuple[Array, Array]) -> Mesh:
    black = _chip_pattern(tag_id)
    cell = TAG_MM / 8
    line = np.concatenate([[-20.0], -15 + cell * np.arange(9), [20.0]])
    row, column = np.meshgrid(np.arange(10), np.arange(10), indexing="ij")

    def point(r: Array, c: Array) -> Array:
        return np.asarray(centre - line[r][..., None] * up - line[c][..., None] * LEFT)

    corners = np.stack(
        [
            point(row, column),
            point(row + 1, column),
            point(row + 1, column + 1),
            point(row, column + 1),
        ],
        axis=2,
    )
    paper, ink = tones
    colours = np.where(black[..., None], ink, paper)
    return quads(corners.reshape(-1, 4, 3), colours.reshape(-1, 3))


def _sheet(origin: Array, first: Array, second: Array, colour: Array) -> Mesh:
    corners = np.array([origin, origin + first, origin + first + second, origin + second])
    return quads(corners[None], colour[None])


def _bar(size: TraySize, *, far_end: bool, first_id: int, tones: tuple[Array, Array]) -> Mesh:
    frames = tag_frames(size)[2:4] if far_end else tag_frames(size)[0:2]
    corner_ids = (2, 3) if far_end else (0, 1)
    parts = [
        _chip(centre, up, first_id + corner, tones)
        for (centre, up), corner in zip(frames, corner_ids, strict=True)
    ]
    x = size.length_mm / 2 if far_end else -size.length_mm / 2 - BAR_MM
    gap = size.width_mm / 2 - CHIP_MM
    parts.append(
        _sheet(
            np.array([x, -gap, 0.0]), np.array([BAR_MM, 0, 0]), np.array([0, 2 * gap, 0]), tones[0]
        )
    )
    return join(parts)


def _strip(size: TraySize, tones: tuple[Array, Array]) -> Mesh:
    x = size.length_mm / 2 - 0.2
    bottoms = np.arange(0.0, STRIP_TOP_MM + size.depth_mm, 10.0) - size.depth_mm
    parts = []
    for k, bottom in enumerate(bottoms):
        height = min(10.0, STRIP_TOP_MM - bottom)
        parts.append(
            _sheet(
                np.array([x, 15.0, bottom]), np.array([0, -30.0, 0]), np.array([0, 0, height]),
                tones[1] if k % 2 == 0 else tones[0],
            )
        )  # fmt: skip
    back = np.array([x + 0.8, -15.0, 0.5])
    parts.append(
        _sheet(back, np.array([0, 30.0, 0]), np.array([0, 0, STRIP_TOP_MM - 0.5]), tones[0] * 0.8)
    )
    return join(parts)


def _head(size: TraySize, first_id: int, tones: tuple[Array, Array]) -> Mesh:
    foot = np.array([size.length_mm / 2, 0.0, STRIP_TOP_MM])
    parts = [
        _chip(centre, up, first_id + 4 + k, tones)
        for k, (centre, up) in enumerate(tag_frames(size)[4:])
    ]
    for low, high in [(-50.0, -48.0), (-8.0, 8.0), (48.0, 50.0)]:
        parts.append(_sheet(foot + high * LEFT, (low - high) * LEFT, 40 * SLOPE, tones[0]))
    behind = foot + np.array([0.7, 50.0, -0.7])
    parts.append(_sheet(behind, 40 * SLOPE, -100 * LEFT, tones[0] * 0.8))
    return join(parts)


def kit_mesh(
    size: TraySize,
    number: int,
    *,
    parts: KitParts,
    head_number: int,
    tones: tuple[Array, Array],
) -> Mesh:
    """The printed kit of tray ``number``; ``tones`` are the paper's and the ink's reflectance."""
    chosen = []
    if parts.bar_a:
        chosen.append(_bar(size, far_end=False, first_id=6 * number, tones=tones))
    if parts.bar_b:
        chosen.append(_bar(size, far_end=True, first_id=6 * number, tones=tones))
    if parts.strip:
        chosen += [_strip(size, tones), _head(size, 6 * head_number, tones)]
    return join(chosen)
