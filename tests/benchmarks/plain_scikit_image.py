"""The same measures written plainly with scikit-image: the benchmark's baseline.

Written as a competent person would who knows the kit and is not after speed: the whole photo is
decoded and kept in floating point, the tray is warped to a straight-down view at the photo's own
resolution, and every measure is the textbook one. Tags come from OpenCV, since scikit-image reads
none. It judges no likelihood and states no uncertainty, so it does less, not more.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from skimage.color import rgb2gray, rgb2lab
from skimage.feature import graycomatrix, graycoprops
from skimage.filters import gaussian, threshold_otsu
from skimage.io import imread
from skimage.measure import label, profile_line, regionprops
from skimage.morphology import remove_small_objects
from skimage.transform import ProjectiveTransform, warp
from skimage.util import img_as_float, img_as_ubyte

from trayvision.camera.camera import Camera
from trayvision.reference_kit import STRIP_TOP_MM, STRIP_WIDTH_MM, TraySize

FloatArray = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

BED_HEIGHT_MM = 15.0
TILE_MM = 10.0
CELL_MM = 50.0
SMALLEST_PATCH_MM2 = 12.0


@dataclass(frozen=True)
class PlainView:
    """Straight-down view of the bed, colours as if the kit's white were white."""

    rgb: FloatArray
    lab: FloatArray
    mm_per_px: float


def inspect_plainly(
    photo: Path, *, size: TraySize, camera: Camera, mm_per_px: float | None = None
) -> dict[str, Any]:
    """Cover, height, colour, evenness, mould and slime candidates, sharpness of one tray.

    Parameters
    ----------
    photo : Path
    size : TraySize
    camera : Camera
        Of this photo, without distortion.
    mm_per_px : float, optional
        Of the straight-down view; default the photo's own at the tray's centre.
    """
    image = img_as_float(imread(photo))
    grey = img_as_ubyte(rgb2gray(image))
    tags = _read_tags(grey)
    rotation, translation = _pose(tags, size, camera)
    balanced = np.clip(image / _white(image, tags), 0, 1)
    if mm_per_px is None:
        mm_per_px = float(translation[2] / camera.fx)
    view = _straight_down(balanced, size, camera, (rotation, translation), mm_per_px)
    shoots = _shoots(view)
    return {
        "cover": float(shoots.mean()),
        "colour": np.median(view.lab[shoots], axis=0) if shoots.any() else None,
        "evenness": _evenness(shoots, view.mm_per_px),
        "canopy_height_mm": _height(balanced, size, camera, (rotation, translation)),
        "mould": _mould(view, shoots),
        "slime": _patches(_brown_and_glossy(view), view),
        "sharpness": _edge_spread(grey, tags),
        "seen": float(((view.lab[..., 0] > 8) & (view.lab[..., 0] < 98)).mean()),
    }


def _read_tags(grey: npt.NDArray[np.uint8]) -> dict[int, FloatArray]:
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(family, parameters).detectMarkers(grey)
    if ids is None:
        raise ValueError("photo must show at least two tags, got none")
    found = zip(np.ravel(ids), corners, strict=True)
    return {int(tag): np.asarray(quad, dtype=np.float64).reshape(4, 2) for tag, quad in found}


def _pose(
    tags: dict[int, FloatArray], size: TraySize, camera: Camera
) -> tuple[FloatArray, FloatArray]:
    world = np.concatenate([size.tag_corners_mm(tag % 6) for tag in tags])
    seen = np.concatenate(list(tags.values()))
    _, turn, shift = cv2.solvePnP(world, seen, camera.matrix, np.zeros(5))
    return np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64), np.ravel(shift).astype(np.float64)


def _white(image: FloatArray, tags: dict[int, FloatArray]) -> FloatArray:
    """Brightest tenth around the tags: their quiet zones."""
    around = []
    for quad in tags.values():
        low = np.maximum(quad.min(axis=0).astype(int) - 4, 0)
        high = quad.max(axis=0).astype(int) + 5
        around.append(image[low[1] : high[1], low[0] : high[0]].reshape(-1, 3))
    pixels = np.concatenate(around)
    bright = pixels[pixels.sum(axis=1) >= np.quantile(pixels.sum(axis=1), 0.9)]
    return np.asarray(np.median(bright, axis=0))


def _homography(plane: FloatArray, camera: Camera, pose: tuple[FloatArray, FloatArray]) -> Any:
    """From coordinates on a plane, ``point = plane @ (u, v, 1)`` in mm, to photo pixels."""
    rotation, translation = pose
    lifted = rotation @ plane
    lifted[:, 2] += translation
    return ProjectiveTransform(camera.matrix @ lifted)


def _straight_down(
    image: FloatArray,
    size: TraySize,
    camera: Camera,
    pose: tuple[FloatArray, FloatArray],
    mm_per_px: float,
) -> PlainView:
    left, top = -size.length_mm / 2, size.width_mm / 2
    z = BED_HEIGHT_MM - size.depth_mm
    plane = np.array([[mm_per_px, 0, left], [0, -mm_per_px, top], [0, 0, z]])
    shape = (round(size.width_mm / mm_per_px), round(size.length_mm / mm_per_px))
    rgb = warp(image, _homography(plane, camera, pose), output_shape=shape, order=1)
    return PlainView(rgb, rgb2lab(rgb), mm_per_px)


def _shoots(view: PlainView) -> Mask:
    """Excess green (Woebbecke et al. 1995), thresholded by Otsu's rule, specks removed."""
    total = view.rgb.sum(axis=2) + 1e-6
    red, green, blue = (view.rgb[..., k] / total for k in range(3))
    excess_green = gaussian(2 * green - red - blue, sigma=1)
    mask = excess_green > max(float(threshold_otsu(excess_green)), 0.05)
    return np.asarray(remove_small_objects(mask, max_size=16))


def _evenness(shoots: Mask, mm_per_px: float) -> float:
    side = round(CELL_MM / mm_per_px)
    cells = [
        shoots[row : row + side, column : column + side].mean()
        for row in range(0, shoots.shape[0] - side + 1, side)
        for column in range(0, shoots.shape[1] - side + 1, side)
    ]
    return float(np.std(cells))


def _height(
    image: FloatArray, size: TraySize, camera: Camera, pose: tuple[FloatArray, FloatArray]
) -> float:
    """Lowest height from which the strip's bands are seen, on its rectified face."""
    step = 0.5
    plane = np.array(
        [
            [0, 0, size.length_mm / 2],
            [-step, 0, STRIP_WIDTH_MM / 2],
            [0, -step, STRIP_TOP_MM - size.depth_mm],
        ]
    )
    shape = (round(STRIP_TOP_MM / step), round(STRIP_WIDTH_MM / step))
    face = warp(image, _homography(plane, camera, pose), output_shape=shape, order=1)
    coloured = rgb2lab(face)
    chroma = gaussian(np.median(np.hypot(coloured[..., 1], coloured[..., 2]), axis=1), sigma=3)
    covered = np.flatnonzero(chroma > 15)
    return STRIP_TOP_MM - step * float(covered[0]) if covered.size else 0.0


def _mould(view: PlainView, shoots: Mask) -> list[dict[str, float]]:
    """Pale, colourless areas; kept where their co-occurrence texture is fine and soft."""
    chroma = np.hypot(view.lab[..., 1], view.lab[..., 2])
    pale = (gaussian(chroma, sigma=1) < 10) & (view.lab[..., 0] > 45) & ~shoots
    texture = _homogeneity(view)
    side = round(TILE_MM / view.mm_per_px)
    patches = []
    for patch in _patches(pale, view):
        row = min(int(patch["row"] / side), texture.shape[0] - 1)
        column = min(int(patch["column"] / side), texture.shape[1] - 1)
        if texture[row, column] > 0.3:
            patches.append(patch | {"homogeneity": float(texture[row, column])})
    return patches


def _homogeneity(view: PlainView) -> FloatArray:
    """Co-occurrence homogeneity (Haralick et al. 1973) of every 10 mm tile."""
    levels = np.clip(view.lab[..., 0] / 100 * 32, 0, 31).astype(np.uint8)
    side = round(TILE_MM / view.mm_per_px)
    rows, columns = levels.shape[0] // side, levels.shape[1] // side
    texture = np.zeros((rows, columns))
    for row in range(rows):
        for column in range(columns):
            tile = levels[
                row * side : (row + 1) * side,
                column * side : (column + 1) * side,
            ]
            matrix = graycomatrix(
                tile,
                distances=[1, 2],
                angles=[0, np.pi / 4, np.pi / 2, 3 * np.pi / 4],
                levels=32,
                symmetric=True,
                normed=True,
            )
            texture[row, column] = graycoprops(matrix, "homogeneity").mean()
    return texture


def _brown_and_glossy(view: PlainView) -> Mask:
    hue = np.degrees(np.arctan2(view.lab[..., 2], view.lab[..., 1]))
    brown = (hue > 40) & (hue < 75) & (view.lab[..., 0] < 40)
    return np.asarray(brown & (gaussian(view.rgb.max(axis=2), sigma=2) > 0.35))


def _patches(mask: Mask, view: PlainView) -> list[dict[str, float]]:
    per_px = view.mm_per_px**2
    return [
        {
            "row": float(region.centroid[0]),
            "column": float(region.centroid[1]),
            "area_mm2": float(region.area * per_px),
            "diameter_mm": float(region.equivalent_diameter_area * view.mm_per_px),
        }
        for region in regionprops(label(mask))
        if region.area * per_px >= SMALLEST_PATCH_MM2
    ]


def _edge_spread(grey: npt.NDArray[np.uint8], tags: dict[int, FloatArray]) -> float:
    """10 to 90 % rise across the middle of every tag's edges, median, px."""
    spreads = []
    for quad in tags.values():
        centre = quad.mean(axis=0)
        for one, other in zip(quad, np.roll(quad, -1, axis=0), strict=True):
            middle = (one + other) / 2
            out = (middle - centre) / np.linalg.norm(middle - centre) * 6
            inner, outer = (middle - out)[::-1], (middle + out)[::-1]
            rise = profile_line(grey, inner, outer, linewidth=5, mode="nearest")
            low, high = rise.min(), rise.max()
            inside = (rise > low + 0.1 * (high - low)) & (rise < low + 0.9 * (high - low))
            spreads.append(inside.sum())
    return float(np.median(spreads))
