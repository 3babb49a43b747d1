"""Triangle meshes with a colour at every vertex, built for thousands of parts at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Floats = NDArray[np.float32]
Ints = NDArray[np.uint32]


@dataclass(frozen=True)
class Mesh:
    """Vertices (n, 3) in mm, faces (m, 3), linear RGB reflectance (n, 3)."""

    vertices: Floats
    faces: Ints
    colours: Floats


def mesh(vertices: Array, faces: Array, colours: Array) -> Mesh:
    """A mesh of flattened arrays; ``colours`` broadcasts to one colour a vertex."""
    flat = np.ascontiguousarray(np.reshape(vertices, (-1, 3)), dtype=np.float32)
    spread = np.broadcast_to(colours, np.shape(vertices)).reshape(-1, 3)
    return Mesh(
        flat,
        np.ascontiguousarray(np.reshape(faces, (-1, 3)), dtype=np.uint32),
        np.ascontiguousarray(np.clip(spread, 0.0, 1.0), dtype=np.float32),
    )


EMPTY = Mesh(
    np.zeros((0, 3), np.float32), np.zeros((0, 3), np.uint32), np.zeros((0, 3), np.float32)
)


def join(parts: Sequence[Mesh]) -> Mesh:
    """All parts as one mesh."""
    if not parts:
        return EMPTY
    offsets = np.cumsum([0, *(len(part.vertices) for part in parts[:-1])])
    return Mesh(
        np.concatenate([part.vertices for part in parts]),
        np.concatenate(
            [part.faces + np.uint32(start) for part, start in zip(parts, offsets, strict=True)]
        ),
        np.concatenate([part.colours for part in parts]),
    )


def moved(part: Mesh, *, shift: Array, turn: Array | None = None) -> Mesh:
    """The mesh turned by a 3 x 3 matrix, then shifted by mm."""
    vertices = part.vertices if turn is None else part.vertices @ np.asarray(turn, np.float32).T
    return Mesh(vertices + np.asarray(shift, np.float32), part.faces, part.colours)


def _grid_faces(rows: int, columns: int, *, closed: bool) -> Array:
    """Two triangles for each cell of a (rows, columns) vertex grid; closed wraps the columns."""
    row, column = np.meshgrid(
        np.arange(rows - 1), np.arange(columns if closed else columns - 1), indexing="ij"
    )
    following = (column + 1) % columns
    first, second = row * columns + column, row * columns + following
    third, fourth = first + columns, second + columns
    return np.stack(
        [np.stack([first, second, fourth], -1), np.stack([first, fourth, third], -1)], -2
    ).reshape(-1, 3)


def _repeated(faces: Array, count: int, stride: int) -> Array:
    return np.asarray(faces[None] + (np.arange(count) * stride)[:, None, None])


def _tangents(paths: Array) -> Array:
    along = np.gradient(paths, axis=1)
    return np.asarray(along / np.maximum(np.linalg.norm(along, axis=2, keepdims=True), 1e-6))


def tubes(paths: Array, radii: Array, colours: Array, *, sides: int = 4) -> Mesh:
    """Tubes along paths (n, k, 3) with radii (n, k) and colours (n, k, 3)."""
    count, points, _ = paths.shape
    tangent = _tangents(paths)
    reference = np.where(np.abs(tangent[..., 2:3]) > 0.9, [1.0, 0.0, 0.0], [0.0, 0.0, 1.0])
    first = np.cross(tangent, reference)
    first /= np.maximum(np.linalg.norm(first, axis=2, keepdims=True), 1e-6)
    second = np.cross(tangent, first)
    angle = np.arange(sides) * 2 * np.pi / sides
    ring = first[:, :, None] * np.cos(angle)[:, None] + second[:, :, None] * np.sin(angle)[:, None]
    vertices = paths[:, :, None] + ring * radii[:, :, None, None]
    faces = _repeated(_grid_faces(points, sides, closed=True), count, points * sides)
    return mesh(vertices, faces, np.broadcast_to(colours[:, :, None], vertices.shape))


def ribbons(paths: Array, across: Array, fold: Array, colours: Array) -> Mesh:
    """Folded ribbons: ``across`` (n, k, 3) reaches from the middle line to the right edge,
    ``fold`` (n, k, 3) lifts both edges, ``colours`` (n, k, 3, 3) from left edge to right."""
    count, points, _ = paths.shape
    vertices = np.stack([paths - across + fold, paths, paths + across + fold], axis=2)
    faces = _repeated(_grid_faces(points, 3, closed=False), count, points * 3)
    return mesh(vertices, faces, colours)


def flat_fibres(paths: Array, widths: Array, colours: Array, side: Array) -> Mesh:
    """Thin flat strips along paths (n, k, 3), widths (n, k); ``side`` (n, 3) unit vectors."""
    count, points, _ = paths.shape
    half = side[:, None] * widths[:, :, None] / 2
    vertices = np.stack([paths - half, paths + half], axis=2)
    faces = _repeated(_grid_faces(points, 2, closed=False), count, points * 2)
    return mesh(vertices, faces, np.broadcast_to(colours[:, :, None], vertices.shape))


def hairs(bases: Array, tips: Array, widths: Array, colours: Array) -> Mesh:
    """Single pointed triangles from bases (n, 3) to tips (n, 3)."""
    along = tips - bases
    turned = np.stack([-along[:, 1], along[:, 0], 0.3 * along[:, 2]], axis=1)
    turned /= np.maximum(np.linalg.norm(turned, axis=1, keepdims=True), 1e-6)
    half = turned * widths[:, None] / 2
    vertices = np.stack([bases - half, bases + half, tips], axis=1)
    faces = np.arange(len(bases) * 3).reshape(-1, 3)
    return mesh(vertices, faces, np.broadcast_to(colours[:, None], vertices.shape))


def ellipsoid_template(rings: int, sides: int, *, point: float) -> tuple[Array, Array]:
    """Vertices on a unit ball, long axis x, and faces; ``point`` > 1 sharpens the ends."""
    latitude = np.linspace(-np.pi / 2, np.pi / 2, rings)
    angle = np.arange(sides) * 2 * np.pi / sides
    radius = np.maximum(np.cos(latitude), 0.02) ** point
    vertices = np.stack(
        [
            np.repeat(np.sin(latitude)[:, None], sides, 1),
            radius[:, None] * np.cos(angle),
            radius[:, None] * np.sin(angle),
        ],
        axis=2,
    ).reshape(-1, 3)
    return vertices, _grid_faces(rings, sides, closed=True)


def copies(template: tuple[Array, Array], centres: Array, frames: Array, colours: Array) -> Mesh:
    """The template at every centre (n, 3), each through its own 3 x 3 frame (n, 3, 3)."""
    shape, faces = template
    vertices = np.einsum("nij,vj->nvi", frames.astype(np.float32), shape.astype(np.float32))
    vertices += centres[:, None].astype(np.float32)
    return mesh(
        vertices,
        _repeated(faces, len(centres), len(shape)),
        np.broadcast_to(colours, vertices.shape),
    )


def surface(x: Array, y: Array, z: Array, colours: Array, keep: Array | None) -> Mesh:
    """A height field on a (rows, columns) grid; ``keep`` (rows, columns) drops its cells."""
    faces = _grid_faces(*z.shape, closed=False)
    if keep is not None:
        faces = faces[keep.reshape(-1)[faces].all(axis=1)]
    return mesh(np.stack([x, y, z], axis=2), faces, colours)


def quads(corners: Array, colours: Array) -> Mesh:
    """Quadrilaterals (n, 4, 3) with one colour each (n, 3)."""
    faces = np.array([[0, 1, 2], [0, 2, 3]])
    return mesh(
        corners,
        _repeated(faces, len(corners), 4),
        np.broadcast_to(colours[:, None], corners.shape),
    )


def box(low: Sequence[float], high: Sequence[float], colour: Sequence[float] | Array) -> Mesh:
    """An axis-parallel box."""
    corner = np.array(
        [[(low, high)[i][0], (low, high)[j][1], (low, high)[k][2]]
         for i in (0, 1) for j in (0, 1) for k in (0, 1)]
    )  # fmt: skip
    sides = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    return quads(corner[np.array(sides)], np.broadcast_to(np.asarray(colour), (6, 3)))
