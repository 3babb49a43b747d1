"""Small drawn trays with known truth, for tests and examples.

Flat parts in their true places, seen through the exact camera with several sight lines a pixel,
averaged in linear light: bars with tags, the tray's floor, a bed, a flat canopy of square
patches, the height strip and its head. No shading, no shadow, no leaves.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from hashlib import sha256

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.camera.camera import Camera
from trayvision.colorimetry import linear_to_srgb, srgb_to_linear
from trayvision.photo.photo import Photo
from trayvision.reference_kit import (
    BAR_WIDTH_MM,
    CARRIED_STRIP_NUMBER,
    HEAD_CORNERS,
    HEAD_SLOPE_LENGTH_MM,
    HEAD_WIDTH_MM,
    QUIET_ZONE_MM,
    RIM_CORNERS,
    STRIP_BAND_MM,
    STRIP_TOP_MM,
    STRIP_WIDTH_MM,
    TAG_EDGE_MM,
    TraySize,
    tag_id,
)
from trayvision.synthetic.painting import Layer, Part, View, grained, painted
from trayvision.tags.family import TAG_CELLS, tag_cells

__all__ = ["DrawnTray", "View", "as_photo", "draw_photo", "tag_corners_px"]

FloatArray = npt.NDArray[np.float64]
Image = npt.NDArray[np.uint8]
FloatImage = npt.NDArray[np.float32]
Colour = tuple[int, int, int]
Vector = Sequence[float] | FloatArray

PATCH_MM = 10.0
WHITE: Colour = (225, 225, 225)
BLACK: Colour = (30, 30, 30)
WALL: Colour = (70, 72, 75)


@dataclass(frozen=True)
class DrawnTray:
    """What one tray looks like; colours are sRGB.

    `cover` is the share of the opening's patches that are `green`, all at `canopy_height_mm`
    above the tray's floor; where that is more than the bed's height it also hides the strip
    from the bottom up. `shown_corners` are the tags that are printed, the others are white.
    """

    number: int
    size: TraySize = field(default_factory=lambda: TraySize(400.0, 250.0, 50.0))
    bed: Colour = (140, 115, 80)
    green: Colour = (70, 130, 40)
    cover: float = 0.0
    bed_height_mm: float = 20.0
    canopy_height_mm: float = 20.0
    shown_corners: tuple[int, ...] = (0, 1, 2, 3, 4, 5)
    strip: bool = True
    carried_strip: bool = False


def draw_photo(
    trays: Sequence[tuple[DrawnTray, View]],
    camera: Camera,
    *,
    seed: int = 0,
    background: Colour = (95, 100, 105),
    blur_px: float = 0.7,
    noise: float = 1.0,
) -> Image:
    """Photo (height, width, 3) of trays, the later ones before the earlier.

    Parameters
    ----------
    trays : sequence of (DrawnTray, View)
        What is seen and where.
    camera : Camera
        Intrinsics, lens distortion included.
    seed : int
        Of the patches of the cover and of the noise.
    background : tuple of int
        sRGB around the trays.
    blur_px : float
        Standard deviation of the lens blur.
    noise : float
        Standard deviation of the noise in 8-bit levels.
    """
    rng = np.random.default_rng(seed)
    layers = [
        Layer(part, tray.size, view) for tray, view in trays for part in _parts(tray, view, rng)
    ]
    light = painted(layers, _linear(background), camera)
    if blur_px > 0:
        light = np.asarray(cv2.GaussianBlur(light, (0, 0), blur_px), dtype=np.float32)
    coded = 255.0 * linear_to_srgb(light).astype(np.float64)
    coded += rng.normal(0.0, noise, coded.shape) if noise > 0 else 0.0
    return np.clip(np.rint(coded), 0, 255).astype(np.uint8)


def as_photo(pixels: Image, *, focal_length_px: float | None = None) -> Photo:
    """A decoded photo of these pixels, as if its file had told nothing but a focal length."""
    height, width = pixels.shape[:2]
    digest = sha256(pixels.tobytes()).hexdigest()
    return Photo("drawn", digest, pixels, width, height, None, focal_length_px, ())


def tag_corners_px(tray: DrawnTray, view: View, camera: Camera) -> dict[int, FloatArray]:
    """True corners (4, 2) px of the tray's printed tags, by id."""
    return {
        _printed_id(tray, corner): view.project(camera, tray.size.tag_corners_mm(corner))
        for corner in tray.shown_corners
        if tray.strip or corner in RIM_CORNERS
    }


def _printed_id(tray: DrawnTray, corner: int) -> int:
    carried = tray.carried_strip and corner in HEAD_CORNERS
    return tag_id(CARRIED_STRIP_NUMBER if carried else tray.number, corner)


def _parts(tray: DrawnTray, view: View, rng: np.random.Generator) -> Iterator[Part]:
    size = tray.size
    x, y = size.length_mm / 2, size.width_mm / 2
    yield _plain((-x, -y, 0.0), (2 * x, 0, 0), (0, 2 * y, 0), WALL)
    yield grained(_bed(tray), rng)
    for start in (-x - BAR_WIDTH_MM, x):
        yield _plain((start, -y, 0.0), (BAR_WIDTH_MM, 0, 0), (0, 2 * y, 0), WHITE)
    yield from (_tag_chip(tray, corner) for corner in RIM_CORNERS)
    if tray.strip and view.camera_mm[0] < x:
        yield _strip(tray)
    if tray.cover > 0:
        yield grained(_canopy(tray, rng), rng)
    if tray.strip:
        rise = np.array([1.0, 0.0, 1.0]) / np.sqrt(2) * HEAD_SLOPE_LENGTH_MM
        yield _plain((x, -HEAD_WIDTH_MM / 2, STRIP_TOP_MM), rise, (0, HEAD_WIDTH_MM, 0), WHITE)
        yield from (_tag_chip(tray, corner) for corner in HEAD_CORNERS)


def _bed(tray: DrawnTray) -> Part:
    x, y = tray.size.length_mm / 2, tray.size.width_mm / 2
    corner = (-x, -y, tray.bed_height_mm - tray.size.depth_mm)
    return _plain(corner, (2 * x, 0, 0), (0, 2 * y, 0), tray.bed)


def _plain(origin: Vector, along: Vector, across: Vector, colour: Colour) -> Part:
    return _part(origin, along, across, np.array([[colour]]))


def _part(origin: Vector, along: Vector, across: Vector, coded: FloatArray | Image) -> Part:
    axes = np.array([along, across], dtype=np.float64)
    cells = coded.shape[:2]
    return Part(np.asarray(origin, float), axes, _linear(coded), np.ones(cells, dtype=bool))


def _tag_chip(tray: DrawnTray, corner: int) -> Part:
    corners = tray.size.tag_corners_mm(corner)
    quiet = QUIET_ZONE_MM / TAG_EDGE_MM
    right, down = corners[1] - corners[0], corners[3] - corners[0]
    fine = 3  # the quiet zone is 4/3 of a cell
    cells = np.ones((TAG_CELLS * fine + 8, TAG_CELLS * fine + 8), dtype=bool)
    if corner in tray.shown_corners:
        printed = tag_cells(_printed_id(tray, corner))
        cells[4:-4, 4:-4] = np.kron(printed, np.ones((fine, fine), dtype=bool))
    coded = np.where(cells[:, :, None], np.array(WHITE), np.array(BLACK)).astype(np.float64)
    origin = corners[0] - quiet * (right + down)
    return _part(origin, (1 + 2 * quiet) * down, (1 + 2 * quiet) * right, coded)


def _strip(tray: DrawnTray) -> Part:
    size = tray.size
    rows = np.arange(round(STRIP_TOP_MM + size.depth_mm))  # a row a mm, from the floor
    coded = np.where((rows // STRIP_BAND_MM % 2 == 0)[:, None, None], BLACK, WHITE)
    foot = (size.length_mm / 2, -STRIP_WIDTH_MM / 2, -size.depth_mm)
    return _part(foot, (0, 0, float(len(rows))), (0, STRIP_WIDTH_MM, 0), coded.astype(np.float64))


def _canopy(tray: DrawnTray, rng: np.random.Generator) -> Part:
    size = tray.size
    x, y = size.length_mm / 2, size.width_mm / 2
    shape = round(size.length_mm / PATCH_MM), round(size.width_mm / PATCH_MM)
    count = shape[0] * shape[1]
    green = rng.permutation(count) < round(tray.cover * count)
    corner = (-x, -y, tray.canopy_height_mm - size.depth_mm)
    part = _plain(corner, (2 * x, 0, 0), (0, 2 * y, 0), tray.green)
    return replace(
        part,
        linear=np.broadcast_to(part.linear, (*shape, 3)).copy(),
        opaque=green.reshape(shape),
    )


def _linear(coded: Colour | FloatArray | Image) -> FloatImage:
    return srgb_to_linear(np.asarray(coded, dtype=np.float64) / 255.0).astype(np.float32)
